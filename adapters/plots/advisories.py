"""Advisories of one place as stretches of time, from the events of a replay."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from service.instants import from_text


@dataclass(slots=True)
class Stretch:
    """One advisory: times in s since 1970; `cleared_s` is None while it still stood at the end.

    `explained_by` is the rule of the standing advisory that outranked it first, if any did.
    """

    id: str
    rule: str
    priority: str
    says: str
    because: str
    raised_s: float
    cleared_s: float | None = None
    explained_by: str | None = None


def stretches(events: Iterable[dict[str, Any]], place: str) -> list[Stretch]:
    """All advisories of a place (`ward/place`), in order of their raising.

    One that was cleared and came back is a stretch for each time.
    """
    latest: dict[str, Stretch] = {}
    found: list[Stretch] = []
    outranked: list[tuple[Stretch, str]] = []
    for body in events:
        if f"{body['ward']}/{body['place']}" != place:
            continue
        stretch = latest.get(body["id"])
        if stretch is None or stretch.cleared_s is not None:
            stretch = latest[body["id"]] = _raised(body)
            found.append(stretch)
        if body["outranked_by"]:
            outranked.append((stretch, body["outranked_by"]))
        if body["event"] == "cleared":
            stretch.cleared_s = from_text(body["at"]) / 1000.0
    for stretch, by in reversed(outranked):
        stretch.explained_by = latest[by].rule if by in latest else None
    return sorted(found, key=lambda stretch: stretch.raised_s)


def _raised(body: dict[str, Any]) -> Stretch:
    return Stretch(
        id=body["id"],
        rule=body["rule"],
        priority=body["priority"],
        says=body["says"],
        because=body["because"],
        raised_s=from_text(body["returned_at"] or body["raised_at"]) / 1000.0,
    )
