"""What two rule sets said of the same readings, side by side, for screen and JSON."""

from __future__ import annotations

from typing import Any, Final

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from adapters.rule_behaviour import Behaviour
from service.episodes import Pairing, RuleTally
from service.instants import to_text

_SHOWN: Final = 40


def print_behaviour(console: Console, found: Behaviour, before: str, after: str) -> None:
    """Per rule how often each spoke, then each advisory that differs."""
    console.print(f"Over {found.patient_hours:.2f} patient hours:", style="bold")
    console.print(f"  A  {before}\n  B  {after}\n")
    if not found.pairings:
        console.print("Neither said anything.")
        return
    console.print(_table(found))
    console.print(
        "/h: per patient hour; new, gone: only B or only A spoke; moved: by the median of those "
        "that came earlier (-) or later (+); rule*: told by a rule that only one of the two has.",
        style="dim",
    )
    if not found.different:
        console.print("No advisory differs.")
        return
    console.print("\nWhat differs in B:")
    for pairing in found.different[:_SHOWN]:
        console.print(Padding(Text(_line(pairing)), (0, 0, 0, 2)))
    if len(found.different) > _SHOWN:
        console.print(f"  and {len(found.different) - _SHOWN} more (all with --json)")


def _table(found: Behaviour) -> Table:
    """A row for each rule; what is empty in every row has no column, so that the rest fits."""
    columns: dict[str, list[str]] = {
        "rule": [tally.rule for tally in found.by_rule],
        "A": [str(tally.before) for tally in found.by_rule],
        "B": [str(tally.after) for tally in found.by_rule],
        "A/h": [_rate(found, tally.before) for tally in found.by_rule],
        "B/h": [_rate(found, tally.after) for tally in found.by_rule],
        "new": [_count(tally.counts["new"]) for tally in found.by_rule],
        "gone": [_count(tally.counts["gone"]) for tally in found.by_rule],
        "moved": [_moved(tally) for tally in found.by_rule],
        "priority": [_count(tally.counts["other priority"]) for tally in found.by_rule],
        "rule*": [_count(tally.counts["other rule"]) for tally in found.by_rule],
    }
    shown = {heading: cells for heading, cells in columns.items() if any(cells)}
    table = Table(box=None, header_style="dim", padding=(0, 1))
    for heading in shown:
        table.add_column(heading, no_wrap=True, justify="left" if heading == "rule" else "right")
    for row in zip(*shown.values(), strict=True):
        table.add_row(*row)
    return table


def behaviour_body(found: Behaviour) -> dict[str, Any]:
    """The same as JSON."""
    return {
        "patient_hours": found.patient_hours,
        "rules": [
            {
                "rule": tally.rule,
                "before": tally.before,
                "before_per_patient_hour": found.per_hour(tally.before),
                "after": tally.after,
                "after_per_patient_hour": found.per_hour(tally.after),
                **tally.counts,
                "moved_by_s": tally.shift_s,
            }
            for tally in found.by_rule
        ],
        "different": [_different(pairing) for pairing in found.different],
    }


def _different(pairing: Pairing) -> dict[str, Any]:
    one = pairing.before or pairing.after
    return {
        "verdict": pairing.verdict,
        "rule": pairing.rule,
        "after_rule": None if pairing.after is None else pairing.after.rule,
        "place": None if one is None else one.place,
        "priority": None if one is None else one.priority,
        "before_raised_at": None if pairing.before is None else to_text(pairing.before.raised_ms),
        "after_raised_at": None if pairing.after is None else to_text(pairing.after.raised_ms),
        "moved_by_s": pairing.shift_ms / 1000.0,
        "says": None if one is None else one.says,
    }


def _line(pairing: Pairing) -> str:
    one = pairing.after or pairing.before
    if one is None:
        return ""
    verdict: str = pairing.verdict
    if verdict in ("earlier", "later"):
        verdict += f" by {abs(pairing.shift_ms) / 1000.0:.1f} s"
    elif verdict == "other priority" and pairing.before is not None:
        verdict = f"{pairing.before.priority} -> {one.priority}"
    elif verdict == "other rule" and pairing.before is not None:
        verdict = f"instead of {pairing.before.rule}"
    return f"{to_text(pairing.at_ms)}  {one.place}  {verdict}: {one.says} [{one.rule}]"


def _moved(tally: RuleTally) -> str:
    count = tally.counts["earlier"] + tally.counts["later"]
    return f"{count} ({tally.shift_s:+.1f} s)" if count and tally.shift_s is not None else ""


def _rate(found: Behaviour, count: int) -> str:
    rate = found.per_hour(count)
    return "" if rate is None else f"{rate:.2f}"


def _count(count: int) -> str:
    return str(count) if count else ""
