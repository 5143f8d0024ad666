"""Every sentence of the list becomes events that the simulator takes; others are named."""

from __future__ import annotations

import re
from typing import Any

import pytest
from pydantic import TypeAdapter

from adapters.rehearsal.sentences import FORMS, Form, SentenceError, events_of
from adapters.simulator.events import Event

_EVENT: TypeAdapter[Any] = TypeAdapter(Event)
_FILLED = {
    "SHARE": "30 %", "TIMES": "2.5 times", "N": "4", "SIGNED": "-1.5", "SENSOR": "spo2",
    "WAVE": "co2", "MODE": "standby", "PHASE": "weaning", "SUPPLY": "battery", "PLACE": "theatre",
}  # fmt: skip


def filled(form: Form) -> str:
    """The form with something in each gap."""
    return re.sub(
        r"\b(SHARE|TIMES|SIGNED|SENSOR|WAVE|MODE|PHASE|SUPPLY|PLACE|N)\b",
        lambda gap: _FILLED[gap[1]],
        form.text,
    )


@pytest.mark.parametrize("form", FORMS, ids=lambda form: form.text)
def test_each_form_is_an_event_of_the_simulator(form: Form) -> None:
    for event in events_of(f"{filled(form)} at 2 min"):
        assert _EVENT.validate_python(event).at_s == 120.0
    if form.over:
        events = [_EVENT.validate_python(e) for e in events_of(f"{filled(form)} at 60 s over 9 s")]
        assert [event.over_s for event in events] == [9.0]
    else:
        with pytest.raises(SentenceError, match="happens at once"):
            events_of(f"{filled(form)} at 60 s over 9 s")


@pytest.mark.parametrize(
    ("sentence", "event"),
    [
        (
            "the chest stiffens by half at 60 s over 20 s",
            {"kind": "compliance", "factor": 0.5, "at_s": 60.0, "over_s": 20.0},
        ),
        (
            "the chest stiffens by 30 % at 1.5 min",
            {"kind": "compliance", "factor": pytest.approx(0.7), "at_s": 90.0},
        ),
        (
            "the tube narrows to three times its resistance at 5 s",
            {"kind": "resistance", "factor": 3.0, "at_s": 5.0},
        ),
        (
            "fresh gas falls to two thirds at 5 s",
            {"kind": "fresh-gas", "factor": pytest.approx(2 / 3), "at_s": 5.0},
        ),
        (
            "the clock leaps by -40 s at 7 s",
            {"kind": "clock", "ahead_s": -40.0, "at_s": 7.0},
        ),
        (
            "a journey from bay 2 to imaging is planned in 5 min for 30 min at 60 s",
            {
                "kind": "journey", "from": "bay 2", "to": "imaging", "leaves_in_min": 5.0,
                "minutes": 30.0, "at_s": 60.0,
            },
        ),
    ],
)  # fmt: skip
def test_what_a_sentence_means(sentence: str, event: dict[str, Any]) -> None:
    assert events_of(sentence) == [event]


@pytest.mark.parametrize(
    ("sentence", "words"),
    [
        ("the chest stiffens by half", 'does not end with when: "the chest stiffens by half at 60'),
        ("the chest stifens by half at 60 s", 'did you mean "the chest stiffens by SHARE"?'),
        ("the chest stiffens by a lot at 60 s", 'did you mean "the chest stiffens by SHARE"?'),
        ("it rains at 60 s", "--sentences"),
        ("the tube is blocked at 60", "does not end with when"),
    ],
)
def test_what_is_not_understood_is_named_with_what_could_be_meant(
    sentence: str, words: str
) -> None:
    with pytest.raises(SentenceError) as raised:
        events_of(sentence)
    assert words in str(raised.value)
