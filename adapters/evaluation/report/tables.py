"""Tables of the report, as HTML."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Any

Row = dict[str, Any]


def table(caption: str, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A table whose first column names its rows. Cells are text, not HTML."""
    if not rows:
        return f"<p>{escape(caption)}: none.</p>"
    top = "".join(f"<th scope=col>{escape(head)}</th>" for head in heads)
    body = "".join(
        f"<tr><th scope=row>{escape(row[0])}</th>"
        + "".join(f"<td>{escape(cell)}</td>" for cell in row[1:])
        + "</tr>"
        for row in rows
    )
    return (
        f"<table><caption>{escape(caption)}</caption>"
        f"<thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>"
    )


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
