"""What two rule sets said of the same readings, side by side, for screen and JSON."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any, Final

import click
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from adapters.rule_behaviour import Behaviour, Compared, behaviour_body
from service.episodes import Pairing, RuleTally
from service.instants import to_text

_SHOWN: Final = 40
_LEFT_OUT_SHOWN: Final = 10


def print_behaviour(console: Console, found: Compared, before: str, after: str) -> None:
    """Per rule how often each spoke, then each advisory that differs, by where it was read."""
    whole = found.whole
    console.print(f"Over {whole.patient_hours:.2f} patient hours:", style="bold")
    console.print(f"  A  {before}\n  B  {after}\n")
    if not whole.pairings:
        nothing = "" if whole.patient_hours else " There was nothing to judge."
        console.print(f"Neither said anything.{nothing}")
        return
    console.print(_table(_by_rule(whole)))
    console.print(
        "/h: per patient hour; new, gone: only B or only A spoke; moved: by the median of those "
        "that came earlier (-) or later (+); rule*: told by a rule that only one of the two has.",
        style="dim",
    )
    if len(found.each) > 1:
        _print_each(console, found.each)
    if not whole.different:
        console.print("No advisory differs.")
        return
    console.print("\nWhat differs in B:")
    _print_different(console, found.each)


def print_left_out(found: Compared) -> None:
    """On standard error what was not used, and why."""
    for words in found.left_out[:_LEFT_OUT_SHOWN]:
        click.echo(f"left out: {words}", err=True)
    more = len(found.left_out) - _LEFT_OUT_SHOWN
    if more > 0:
        click.echo(f"left out: and {more} more (all with --json)", err=True)


def _print_each(console: Console, each: Mapping[str, Behaviour]) -> None:
    """A row for each recording, store or set of scenarios; those that differ go first."""
    first = sorted(each.items(), key=lambda item: not item[1].different)
    console.print("\nOne by one:")
    console.print(_table(_by_source(first[:_SHOWN])))
    if len(first) > _SHOWN:
        console.print(f"  and {len(first) - _SHOWN} more (all with --json)")


def _print_different(console: Console, each: Mapping[str, Behaviour]) -> None:
    left = _SHOWN
    for name, one in each.items():
        shown = one.different[:left]
        if shown and len(each) > 1:
            console.print(Text(f"  {name}"))
        for pairing in shown:
            console.print(Padding(Text(_line(pairing)), (0, 0, 0, 2 if len(each) == 1 else 4)))
        left -= len(shown)
    more = sum(len(one.different) for one in each.values()) - _SHOWN
    if more > 0:
        console.print(f"  and {more} more (all with --json)")


def _by_rule(found: Behaviour) -> dict[str, list[str]]:
    return {
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


def _by_source(each: Sequence[tuple[str, Behaviour]]) -> dict[str, list[str]]:
    sides = [_sides(one) for _, one in each]
    verdicts = [Counter(pairing.verdict for pairing in one.pairings) for _, one in each]
    return {
        "read in": [name for name, _ in each],
        "hours": [f"{one.patient_hours:.2f}" for _, one in each],
        "A": [str(before) for before, _ in sides],
        "B": [str(after) for _, after in sides],
        "A/h": [_rate(one, before) for (_, one), (before, _) in zip(each, sides, strict=True)],
        "B/h": [_rate(one, after) for (_, one), (_, after) in zip(each, sides, strict=True)],
        "new": [_count(one["new"]) for one in verdicts],
        "gone": [_count(one["gone"]) for one in verdicts],
        "moved": [_count(one["earlier"] + one["later"]) for one in verdicts],
        "priority": [_count(one["other priority"]) for one in verdicts],
        "rule*": [_count(one["other rule"]) for one in verdicts],
    }


def _sides(found: Behaviour) -> tuple[int, int]:
    """How often each of the two spoke."""
    before = sum(pairing.before is not None for pairing in found.pairings)
    return before, sum(pairing.after is not None for pairing in found.pairings)


def _table(columns: Mapping[str, Sequence[str]]) -> Table:
    """What is empty in every row has no column, so that the rest fits; the first is of names."""
    shown = {heading: cells for heading, cells in columns.items() if any(cells)}
    table = Table(box=None, header_style="dim", padding=(0, 1))
    for number, heading in enumerate(shown):
        table.add_column(heading, overflow="fold", justify="right" if number else "left",
                         no_wrap=bool(number))  # fmt: skip
    for row in zip(*shown.values(), strict=True):
        table.add_row(*row)
    return table


def compared_body(found: Compared) -> dict[str, Any]:
    """The same as JSON: all together, then one by one."""
    return {
        **behaviour_body(found.whole),
        "each": [{"read_in": name, **behaviour_body(one)} for name, one in found.each.items()],
        "left_out": list(found.left_out),
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
