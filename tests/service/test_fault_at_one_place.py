"""A fault of ours at one place must neither stop the others nor stay unsaid."""

from __future__ import annotations

from typing import Any

import pytest
from service_bench import START_MS, cycle_end, hospital_minute, new_watch

from service import watch as watching
from service.bedside import Bedside

BROKEN = "recovery/bay-3"


def test_the_other_places_are_watched_on(monkeypatch: pytest.MonkeyPatch) -> None:
    honest = watching.facts_of

    def facts_of(bedside: Bedside, now_ms: int, wanted: frozenset[str] | None = None) -> Any:
        if bedside.name == BROKEN:
            raise ZeroDivisionError("spo2 of Bramble is 97")
        return honest(bedside, now_ms, wanted)

    sent = hospital_minute()
    until_ms = cycle_end(sent[-1].received_ms)
    well = new_watch().step(sent, until_ms)
    monkeypatch.setattr(watching, "facts_of", facts_of)
    outcome = new_watch().step(sent, until_ms)

    def told(result: watching.Outcome) -> list[str]:
        return [f"{name} {event.advisory.id}" for name, event, _ in result.events]

    assert told(outcome) == [line for line in told(well) if BROKEN not in line]
    assert told(outcome)
    assert len(outcome.accepted) == len(well.accepted), "its readings are kept all the same"
    # Looked at every second, and no patient's value in what is said of it.
    assert set(outcome.failed) == {(BROKEN, "ZeroDivisionError")}
    assert len(outcome.failed) >= (until_ms - START_MS) // 1000 - 5
