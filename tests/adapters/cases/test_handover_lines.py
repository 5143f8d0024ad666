"""The hand-over in words: what stands, what came and went, and who has seen it."""

from __future__ import annotations

from typing import Any

from adapters.cases.handover_lines import handover_lines


def _at(minute: int) -> str:
    return f"2026-11-25T13:{minute:02}:00.000Z"


def _standing(number: str, **changes: Any) -> dict[str, Any]:
    return {
        "id": number, "priority": "high", "says": "Saturation is low.", "for_s": 300.0,
        "look_at": ["the probe", "the tube"], "raised_at": _at(0), "ended_at": None, "times": 1,
        "escalated_at": None, "acknowledged_at": None, "acknowledged_by": None,
        "outranked_by": None, **changes,
    }  # fmt: skip


def _gone(**changes: Any) -> dict[str, Any]:
    return {"title": "CO2 is high", "priority": "medium", "times": 1, "longest_s": 300.0,
            "last_cleared_at": _at(7), "acknowledged_times": 1, **changes}  # fmt: skip


def _lines(**changes: Any) -> list[str]:
    nothing = {"refused": {}, "samples": {}, "values": {}, "longest_silence_s": 1.0}
    body = {
        "ward": "recovery", "place": "bay-2", "from": _at(0), "to": _at(13), "patient": None,
        "standing": [], "came_and_went": [], "pauses": [], "notes": [], "spoke_most": [],
        "lost": nothing, **changes,
    }  # fmt: skip
    return handover_lines(body)


def test_an_evening_in_which_nothing_was() -> None:
    lines = _lines()
    assert lines[:2] == [
        "Hand-over of recovery/bay-2, 2026-11-25 13:00 to 13:13 UTC (13 min)",
        "No patient was ever announced at this place.",
    ]
    for heading in ("Stands now", "Came and went", "Paused", "Noted", "Spoke most",
                    "Readings lost"):  # fmt: skip
        assert f"{heading}: nothing" in lines


def test_who_lies_there() -> None:
    patient = {"patient": "Skerry", "species": "cat", "class": "mammal", "mass": 600.0,
               "mass_unit": "g", "phase": "maintenance"}  # fmt: skip
    assert _lines(patient=patient)[1] == "Skerry: cat (mammal), 600 g; phase: maintenance"
    assert "mass unknown" in _lines(patient={**patient, "mass": None})[1]


def test_what_stands_is_told_with_its_age_and_what_to_look_at() -> None:
    again = _standing("a", times=2)
    over = _standing("b", priority="low", says="Under it.", ended_at=_at(7), escalated_at=_at(3))
    seen = _standing("c", acknowledged_at=_at(4), acknowledged_by="Wren", outranked_by="a")
    lines = _lines(standing=[again, over, seen])
    assert lines[lines.index("Stands now") + 1 :][:4] == [
        "  !!! high    Saturation is low.",
        "              for 5 min; comes and goes: twice since 13:00; NOT acknowledged",
        "              look: the probe",
        "              look: the tube",
    ]
    assert "  !   low     Under it." in lines
    assert (
        "              for 5 min; more urgent since 13:03; OVER since 13:07, stands until it is "
        "acknowledged; NOT acknowledged"
    ) in lines
    assert "              for 5 min; acknowledged 13:04 by Wren" in lines
    assert "              explained by: Saturation is low." in lines


def test_what_came_and_went_is_told_with_how_often_and_for_how_long() -> None:
    lines = _lines(came_and_went=[
        _gone(),
        _gone(times=3, acknowledged_times=2),
        _gone(times=2, acknowledged_times=0),
        _gone(acknowledged_times=0),
    ])  # fmt: skip
    rows = [line.partition("CO2 is high: ")[2] for line in lines if "CO2 is high" in line]
    assert rows == [
        "once, for 5 min; over since 13:07; acknowledged",
        "3 times, longest 5 min; over since 13:07; acknowledged 2 of 3 times",
        "twice, longest 5 min; over since 13:07; never acknowledged",
        "once, for 5 min; over since 13:07; never acknowledged",
    ]


def test_pauses_notes_and_losses_are_told() -> None:
    pause = {"since": _at(1), "lasted_s": 120.0, "by": "Wren", "reason": "suction",
             "ended_at": _at(3), "ended_because": "its time is over"}  # fmt: skip
    lines = _lines(
        pauses=[pause, {**pause, "ended_at": None}],
        notes=[{"at": _at(5), "by": "Mira", "text": "tube turned"}],
        spoke_most=[{"times": 3, "title": "CO2 is high"}],
        lost={
            "refused": {"spo2: bad": 3}, "samples": {"paw": {"missing": 50, "sent": 1000}},
            "values": {"spo2": {"without": 7, "sent": 900}}, "longest_silence_s": 75.0,
        },
    )  # fmt: skip
    for told in (
        "  13:01 for 2 min by Wren: suction (ended: its time is over)",
        "  13:01 for 2 min by Wren: suction (STILL PAUSED)",
        "  13:05 Mira: tube turned",
        "  3 times: CO2 is high",
        "  refused 3 times: spo2: bad",
        "  paw: 5.0 % of the samples missing",
        "  spo2: 7 of 900 values without a reading",
        "  nothing at all came for 75 s",
    ):
        assert told in lines
