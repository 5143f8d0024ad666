"""The hand-over of a place: what a nurse is told, from what was published."""

from __future__ import annotations

from typing import Any

import pytest
from advisory_bench import Ward, above, rule
from service_bench import PLACE, START_MS

from rules.notice import NOTICE
from rules.priority import Priority
from service.handover import Lost, Past, handover
from service.instants import to_text
from service.outbound import event_body

PATIENT = {
    "patient": "Skerry",
    "species": "cat",
    "class": "mammal",
    "mass": {"value": 600.0, "unit": "g"},
    "phase": "maintenance",
    "at": to_text(START_MS),
}


def _bodies(ward: Ward, events: list[Any]) -> list[dict[str, Any]]:
    return [event_body(PLACE, event, ward.rules) for event in events]


@pytest.fixture
def evening() -> Past:
    """Saturation fell twice and stands, CO2 was high for 5 min and is over, acknowledged."""
    ward = Ward(
        rule(look_at=("the probe", "the tube"), again_s=600.0, priority=Priority.HIGH),
        rule("co2-high", above("etco2", 55.0), says="CO2 is high.", again_s=0.0),
        rule("under", above("etco2", 50.0), priority=Priority.LOW, says="Under it.", latch=True),
    )
    bodies = []

    def at(after_s: float, spo2: float, etco2: float) -> None:
        bodies.extend(_bodies(ward, ward.at(after_s, {"spo2": spo2, "etco2": etco2})))

    at(0.0, 80.0, 40.0)
    at(60.0, 97.0, 40.0)
    at(120.0, 97.0, 60.0)
    co2 = next(a for a in ward.book.standing() if a.rule == "co2-high")
    changes = ward.book.acknowledge(co2.id, "Wren", START_MS + 130_000)
    assert not isinstance(changes, str)
    bodies.extend(_bodies(ward, changes.events))
    at(420.0, 97.0, 40.0)
    at(500.0, 79.0, 40.0)
    pause = {
        "at": to_text(START_MS + 100_000),
        "by": "Wren",
        "reason": "suction",
        "until": to_text(START_MS + 220_000),
    }
    ended = {**pause, "at": to_text(START_MS + 220_000), "by": None, "reason": "its time is over"}
    lost = Lost({"numerics: spo2: bad": 3}, {"paw": (50, 1000)}, {"spo2": (7, 900)}, 75.0)
    return Past(PLACE, START_MS, START_MS + 800_000, PATIENT, bodies, [(pause, ended)], lost)


def test_what_stands_comes_first_with_age_times_and_who_has_seen_it(evening: Past) -> None:
    body = handover(evening)
    first, second = body["standing"]
    assert (first["rule"], first["times"], first["for_s"]) == ("spo2-low", 2, 300.0)
    assert (second["rule"], second["ended_at"]) == ("under", to_text(START_MS + 420_000))


def test_what_came_and_went_is_told_by_rule_with_the_longest(evening: Past) -> None:
    rows = {row["rule"]: row for row in handover(evening)["came_and_went"]}
    assert set(rows) == {"co2-high", "spo2-low"}
    # Raised at 120 s and over at 420 s; the first low saturation lasted from 0 to 60 s.
    assert (rows["co2-high"]["times"], rows["co2-high"]["longest_s"]) == (1, 300.0)
    assert (rows["co2-high"]["acknowledged_times"], rows["spo2-low"]["longest_s"]) == (1, 60.0)


def test_before_the_span_nothing_came_and_went(evening: Past) -> None:
    later = Past(PLACE, START_MS + 450_000, evening.to_ms, PATIENT, evening.events)
    body = handover(later)
    assert body["came_and_went"] == []
    assert [row["rule"] for row in body["spoke_most"]] == ["spo2-low"]
    assert len(body["standing"]) == 2


def test_pauses_and_losses_are_told(evening: Past) -> None:
    body = handover(evening)
    (pause,) = body["pauses"]
    assert (pause["lasted_s"], pause["ended_because"]) == (120.0, "its time is over")
    assert body["lost"] == {
        "refused": {"numerics: spo2: bad": 3},
        "samples": {"paw": {"missing": 50, "sent": 1000}},
        "values": {"spo2": {"without": 7, "sent": 900}},
        "longest_silence_s": 75.0,
    }
    assert body["patient"] == {
        **{key: PATIENT[key] for key in ("patient", "species", "class", "phase", "at")},
        "mass": 600.0,
        "mass_unit": "g",
    }


def test_a_pause_under_way_has_no_end(evening: Past) -> None:
    (begun, _), *_ = evening.pauses
    (pause,) = handover(Past(PLACE, START_MS, evening.to_ms, None, [], [(begun, None)]))["pauses"]
    assert (pause["ended_at"], pause["lasted_s"]) == (None, 700.0)


def test_it_says_that_it_advises_only(evening: Past) -> None:
    assert handover(evening)["notice"] == NOTICE


def test_what_people_noted_goes_on_to_the_next_shift() -> None:
    note = {"at": to_text(START_MS + 60_000), "by": "mira", "text": "tube turned"}
    body = handover(Past(PLACE, START_MS, START_MS + 600_000, None, [], notes=[note]))
    assert body["notes"] == [note]
