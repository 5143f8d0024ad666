"""Pieces of HTML that nothing from a scenario's file can break out of."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from typing import NewType

Html = NewType("Html", str)
"""Text that is HTML already; a plain `str` has to go through `text` first."""


def text(words: object) -> Html:
    """Words as they are, whatever stands in them."""
    return Html(escape(str(words)))


def joined(parts: Iterable[Html], between: str = "") -> Html:
    """Pieces one after the other; `between` is HTML."""
    return Html(between.join(parts))


def tag(name: str, *inside: Html, **attributes: str | None) -> Html:
    """An element. `class_` is `class`, `data_plot` is `data-plot`; one that is None is left out."""
    written = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(value)}"'
        for key, value in attributes.items()
        if value is not None
    )
    return Html(f"<{name}{written}>{joined(inside)}</{name}>")


def listed(items: Iterable[Html]) -> Html:
    """A list with a point for each item."""
    return tag("ul", *(tag("li", item) for item in items))


def table(
    caption: str, heads: Sequence[str], rows: Iterable[Sequence[Html]], class_: str | None = None
) -> Html:
    """A table whose first column names its rows."""
    top = joined(tag("th", text(head), scope="col") for head in heads)
    body = joined(tag("tr", *_cells(row)) for row in rows)
    return tag(
        "table",
        tag("caption", text(caption)),
        tag("thead", tag("tr", top)),
        tag("tbody", body),
        class_=class_,
    )


def _cells(row: Sequence[Html]) -> Iterable[Html]:
    yield tag("th", row[0], scope="row")
    yield from (tag("td", cell) for cell in row[1:])


def verdict(met: bool, good: str, bad: str) -> Html:
    """Good or bad: by symbol, by word and by colour."""
    if met:
        return tag("span", Html("&#10003; "), text(good), class_="good")
    return tag("span", Html("&#10007; "), text(bad), class_="bad")


def priority(mark: str, name: str) -> Html:
    """A priority: by its exclamation marks, by its name and by colour."""
    return tag("span", text(f"{mark.strip()} {name}"), class_=f"priority {name}")
