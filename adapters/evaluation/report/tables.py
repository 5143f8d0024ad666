"""Tables of the report, as HTML."""

from __future__ import annotations

import re
from collections.abc import Sequence
from html import escape
from typing import Any, Final

Row = dict[str, Any]

#: What each side is called, on the screen as on the page.
LABELS: Final = {
    "rules": "rule set",
    "monitor-limits": "monitor limits",
    "monitor-limits-delayed": "monitor limits, 12 s delay",
}
_WITH_ENDS: Final = re.compile(r"(\S+(?: %)?) (\([\d.]+ to [\d.]+\))")
#: Characters of a cell that stays on one line on a screen; a longer one is text.
_SHORT: Final = 30


def table(caption: str, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A table whose first column names its rows. Cells are text, not HTML."""
    if not rows:
        return f"<p>{escape(caption)}: none.</p>"
    top = "".join(f"<th scope=col>{escape(head)}</th>" for head in heads)
    body = "".join(
        f"<tr><th scope=row>{escape(row[0])}</th>" + "".join(map(_cell, row[1:])) + "</tr>"
        for row in rows
    )
    return (
        f"<table><caption>{escape(caption)}</caption>"
        f"<thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>"
    )


def _cell(text: str) -> str:
    """A value with its interval breaks, where it must, only between the two."""
    parts = _WITH_ENDS.fullmatch(text)
    if parts is not None:
        return f"<td><span>{parts[1]}</span> <span>{parts[2]}</span></td>"
    return f"<td{' class=words' if len(text) > _SHORT else ''}>{escape(text)}</td>"


def percent(estimate: Row) -> str:
    """As `94 % (88 to 98)`."""
    if estimate["value"] is None:
        return "-"
    ends = f" ({100 * estimate['low']:.0f} to {100 * estimate['high']:.0f})"
    return f"{100 * estimate['value']:.0f} %{ends}"


def number(estimate: Row, digits: int = 2) -> str:
    """As `0.12 (0.03 to 0.37)`."""
    if estimate["value"] is None:
        return "-"
    if estimate["low"] is None:
        return f"{estimate['value']:.{digits}f}"
    low, high = estimate["low"], estimate["high"]
    return f"{estimate['value']:.{digits}f} ({low:.{digits}f} to {high:.{digits}f})"


def plain(value: float | None, unit: str = "") -> str:
    """A number with its unit, or a dash."""
    return "-" if value is None else f"{value:.3g}{unit}"


PERFORMANCE_HEADS = (
    "episodes", "noticed", "called by name", "high priority when grave", "PPV", "false",
    "false per hour", "delay, s: median", "95th", "in breaths: median", "95th",
)  # fmt: skip


def performance_cells(row: Row) -> list[str]:
    """The cells that belong to `PERFORMANCE_HEADS`."""
    return [
        str(row["episodes"]),
        percent(row["noticed"]),
        percent(row["named"]),
        percent(row["grave_urgent"]),
        percent(row["predictive_value"]),
        str(row["false"]),
        number(row["false_per_hour"]),
        number(row["delay_s"], 1),
        plain(row["delay_p95_s"]),
        plain(row["delay_breaths"]),
        plain(row["delay_p95_breaths"]),
    ]


def counted(counts: dict[str, int]) -> str:
    """As `disconnected 25, rebreathing 1`."""
    return ", ".join(f"{name} {count}" for name, count in counts.items()) or "-"
