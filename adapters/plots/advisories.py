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
    """All advisories of a place (`ward/place`), in order of their raising."""
    found: dict[str, Stretch] = {}
    outranked: dict[str, str] = {}
    for body in events:
        if f"{body['ward']}/{body['place']}" != place:
            continue
        stretch = found.setdefault(body["id"], _raised(body))
        if body["outranked_by"]:
            outranked.setdefault(body["id"], body["outranked_by"])
        if body["event"] == "cleared":
            stretch.cleared_s = from_text(body["at"]) / 1000.0
    for identity, by in outranked.items():
        found[identity].explained_by = found[by].rule if by in found else None
    return sorted(found.values(), key=lambda stretch: stretch.raised_s)


def _raised(body: dict[str, Any]) -> Stretch:
    return Stretch(
        id=body["id"],
        rule=body["rule"],
        priority=body["priority"],
        says=body["says"],
        because=body["because"],
        raised_s=from_text(body["raised_at"]) / 1000.0,
    )
