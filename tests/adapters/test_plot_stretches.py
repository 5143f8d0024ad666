"""The bars of advisories: one for each time that an advisory stood."""

from __future__ import annotations

from typing import Any

from adapters.plots.advisories import stretches
from service.instants import from_text

RAISED, RETURNED = "2026-11-25T13:00:00.000Z", "2026-11-25T13:01:00.000Z"


def _body(event: str, at: str, *, identity: str = "a", **changes: Any) -> dict[str, Any]:
    return {
        "ward": "w",
        "place": "p",
        "id": identity,
        "rule": f"rule-{identity}",
        "priority": "high",
        "says": "",
        "because": "",
        "raised_at": RAISED,
        "returned_at": None,
        "outranked_by": None,
        "event": event,
        "at": at,
        **changes,
    }


def test_cleared_and_back_it_has_two_bars() -> None:
    events = [
        _body("raised", RAISED),
        _body("cleared", "2026-11-25T13:00:20.000Z"),
        _body("returned", RETURNED, returned_at=RETURNED),
    ]
    begins_s = from_text(RAISED) / 1000.0
    spans = [(s.raised_s - begins_s, s.cleared_s and s.cleared_s - begins_s) for s in
             stretches(events, "w/p")]  # fmt: skip
    assert spans == [(0.0, 20.0), (60.0, None)]


def test_ended_and_back_without_being_cleared_it_has_one() -> None:
    events = [
        _body("raised", RAISED),
        _body("ended", "2026-11-25T13:00:20.000Z"),
        _body("returned", RETURNED, returned_at=RETURNED),
    ]
    assert len(stretches(events, "w/p")) == 1


def test_what_explained_it_first_is_named() -> None:
    events = [
        _body("raised", RAISED, identity="b"),
        _body("raised", RAISED, identity="c"),
        _body("outranked", RAISED, outranked_by="b"),
        _body("outranked", RETURNED, outranked_by="c"),
    ]
    (found,) = [s for s in stretches(events, "w/p") if s.id == "a"]
    assert found.explained_by == "rule-b"
