"""Raised when its rule has held long enough, an advisory stands until it is known to be over."""

from __future__ import annotations

import pytest
from advisory_bench import Ward, above, below, kinds, rule
from service_bench import PLACE, START_MS

from service.advisories import advisory_id


def seconds(instant_ms: int) -> float:
    """Seconds since the start."""
    return (instant_ms - START_MS) / 1000.0


def test_raised_at_once_without_a_time_to_hold() -> None:
    ward = Ward(rule())
    assert ward.spo2(0.0, 95.0) == []
    assert ward.spo2(1.0, 89.0) == ["raised"]
    assert ward.spo2(2.0, 88.0) == []
    assert seconds(ward.only().raised_ms) == seconds(ward.only().onset_ms) == 1.0


def test_raised_when_the_rule_has_held_for_its_time() -> None:
    ward = Ward(rule(for_s=10.0))
    assert ward.spo2(5.0, 89.0) == []
    assert ward.spo2(14.95, 89.0) == []
    assert ward.spo2(15.0, 89.0) == ["raised"]
    advisory = ward.only()
    assert (seconds(advisory.onset_ms), seconds(advisory.raised_ms)) == (5.0, 15.0)


def test_an_interruption_starts_the_time_again() -> None:
    ward = Ward(rule(for_s=10.0))
    for after_s, value in [(0.0, 89.0), (9.0, 89.0), (9.5, 91.0), (10.0, 89.0), (19.95, 89.0)]:
        assert ward.spo2(after_s, value) == []
    assert ward.spo2(20.0, 89.0) == ["raised"]


def test_an_unknown_fact_interrupts_too() -> None:
    ward = Ward(rule(for_s=10.0))
    ward.spo2(0.0, 89.0)
    assert ward.at(5.0) == []
    assert ward.spo2(10.0, 89.0) == []
    assert ward.spo2(20.0, 89.0) == ["raised"]


def test_without_clears_it_is_over_when_the_condition_is() -> None:
    ward = Ward(rule())
    ward.spo2(0.0, 89.0)
    (event,) = ward.at(3.0, {"spo2": 90.0})
    assert (event.kind, event.reason) == ("cleared", "the condition has ended")
    assert event.advisory.state == "cleared"
    assert event.advisory.cleared_ms == START_MS + 3000
    assert ward.standing() == []


HYSTERESIS = rule(clears=above("spo2", 93.0), clears_for_s=5.0)


def test_hysteresis_keeps_a_value_at_the_limit_from_chattering() -> None:
    ward = Ward(HYSTERESIS)
    assert ward.spo2(0.0, 89.0) == ["raised"]
    for step in range(100):
        assert ward.spo2(1.0 + step, 89.5 if step % 2 else 92.9) == []


def test_cleared_when_the_looser_condition_has_held_for_its_time() -> None:
    ward = Ward(HYSTERESIS)
    ward.spo2(0.0, 89.0)
    assert ward.spo2(10.0, 94.0) == []
    assert ward.spo2(14.95, 94.0) == []
    assert ward.spo2(15.0, 94.0) == ["cleared"]


def test_a_relapse_starts_the_time_to_clear_again() -> None:
    ward = Ward(HYSTERESIS)
    ward.spo2(0.0, 89.0)
    ward.spo2(10.0, 94.0)
    ward.spo2(12.0, 92.0)
    assert ward.spo2(13.0, 94.0) == []
    assert ward.spo2(17.95, 94.0) == []
    assert ward.spo2(18.0, 94.0) == ["cleared"]


def test_an_unknown_fact_never_clears() -> None:
    ward = Ward(HYSTERESIS)
    ward.spo2(0.0, 89.0)
    for after_s in range(1, 3600, 60):
        assert ward.at(float(after_s)) == []
    assert ward.standing() == ["spo2-low"]


def test_an_unknown_fact_starts_the_time_to_clear_again() -> None:
    ward = Ward(HYSTERESIS)
    ward.spo2(0.0, 89.0)
    ward.spo2(10.0, 94.0)
    ward.at(13.0)
    assert ward.spo2(16.0, 94.0) == []
    assert ward.spo2(21.0, 94.0) == ["cleared"]


def test_raised_again_much_later_it_is_another_advisory() -> None:
    ward = Ward(rule(again_s=0.5))
    (first,) = ward.at(0.0, {"spo2": 89.0})
    ward.spo2(1.0, 95.0)
    (second,) = ward.at(2.0, {"spo2": 89.0})
    assert first.advisory.id != second.advisory.id


def test_when_to_look_again() -> None:
    ward = Ward(rule(for_s=10.0, clears=above("spo2", 93.0), clears_for_s=5.0))
    assert ward.book.next_due_ms(ward.rules) is None
    ward.spo2(2.0, 89.0)
    assert ward.book.next_due_ms(ward.rules) == START_MS + 12_000
    ward.spo2(12.0, 89.0)
    assert ward.book.next_due_ms(ward.rules) is None
    ward.spo2(20.0, 94.0)
    assert ward.book.next_due_ms(ward.rules) == START_MS + 25_000
    ward.spo2(21.0, 91.0)
    assert ward.book.next_due_ms(ward.rules) is None


def test_findings_tell_when_a_condition_began_and_ceased() -> None:
    ward = Ward(rule(for_s=10.0))
    found = []
    for after_s, value in [(0.0, 89.0), (1.0, 88.0), (4.0, 95.0), (5.0, 95.0), (6.0, 89.0)]:
        ward.at(after_s, {"spo2": value})
        tracked = ward.book.tracked.get("spo2-low")
        found.append(None if tracked is None else tracked.holds_since_ms)
    assert found == [START_MS, START_MS, None, None, START_MS + 6000]


# -- acknowledging ------------------------------------------------------------------------------


def test_acknowledged_it_stands_on() -> None:
    ward = Ward(rule())
    ward.spo2(0.0, 89.0)
    identity = ward.only().id
    changes = ward.book.acknowledge(identity, "nurse", START_MS + 4000)
    assert not isinstance(changes, str)
    (event,) = changes.events
    assert (event.kind, event.by) == ("acknowledged", "nurse")
    assert ward.only().state == "acknowledged"
    assert ward.only().acknowledged_by == "nurse"
    assert ward.only().acknowledged_ms == START_MS + 4000
    assert ward.spo2(5.0, 88.0) == []
    assert ward.spo2(6.0, 95.0) == ["cleared"]


def test_acknowledging_twice_says_who_did_it() -> None:
    ward = Ward(rule())
    ward.spo2(0.0, 89.0)
    identity = ward.only().id
    ward.book.acknowledge(identity, "nurse", START_MS)
    assert ward.book.acknowledge(identity, "vet", START_MS + 1) == "already acknowledged by nurse"
    assert ward.only().acknowledged_by == "nurse"


@pytest.mark.parametrize("target", [None, "", "0" * 16])
def test_acknowledging_what_does_not_stand_changes_nothing(target: str | None) -> None:
    ward = Ward(rule())
    ward.spo2(0.0, 89.0)
    said = ward.book.acknowledge(target, "nurse", START_MS)
    assert said == f"no advisory with id {target!r} stands at this place"
    assert ward.only().state == "raised"


def test_a_new_occurrence_is_not_acknowledged() -> None:
    ward = Ward(rule(again_s=0.5))
    ward.spo2(0.0, 89.0)
    ward.book.acknowledge(ward.only().id, "nurse", START_MS)
    ward.spo2(1.0, 95.0)
    assert ward.spo2(2.0, 89.0) == ["raised"]
    assert ward.only().state == "raised"


# -- scope and patient --------------------------------------------------------------------------

SCOPED = rule(only_in={"mode": ("controlled",)}, clears=above("spo2", 93.0))


def test_leaving_its_scope_ends_it_with_that_reason() -> None:
    ward = Ward(SCOPED)
    assert kinds(ward.at(0.0, {"spo2": 89.0, "settings.mode": "controlled"})) == ["raised"]
    (event,) = ward.at(1.0, {"spo2": 88.0, "settings.mode": "spontaneous"})
    assert event.kind == "cleared"
    assert event.reason == "does not apply any more: mode is spontaneous"


def test_an_unknown_scope_ends_nothing_and_raises_nothing() -> None:
    ward = Ward(SCOPED)
    assert ward.at(0.0, {"spo2": 89.0}) == []
    ward.at(1.0, {"spo2": 89.0, "settings.mode": "controlled"})
    assert ward.at(2.0, {"spo2": 89.0}) == []
    assert ward.standing() == ["spo2-low"]


def test_another_patient_clears_what_stood() -> None:
    ward = Ward(HYSTERESIS)
    ward.at(0.0, {"spo2": 89.0}, patient="Skerry")
    cleared, raised = ward.at(1.0, {"spo2": 88.0}, patient="Vane")
    assert (cleared.kind, raised.kind) == ("cleared", "raised")
    assert cleared.reason == "another patient is at this place"
    assert cleared.advisory.patient == "Skerry"
    assert raised.advisory.patient == "Vane"
    assert cleared.advisory.id != raised.advisory.id


def test_the_time_of_one_patient_does_not_count_for_the_next() -> None:
    ward = Ward(rule(for_s=10.0))
    ward.at(0.0, {"spo2": 89.0}, patient="Skerry")
    assert ward.at(9.0, {"spo2": 89.0}, patient="Vane") == []
    assert ward.at(10.0, {"spo2": 89.0}, patient="Vane") == []
    assert kinds(ward.at(19.0, {"spo2": 89.0}, patient="Vane")) == ["raised"]


# -- identity and words -------------------------------------------------------------------------


def test_the_same_onset_gives_the_same_id() -> None:
    first, again = Ward(rule()), Ward(rule())
    first.spo2(3.0, 89.0)
    again.spo2(3.0, 80.0)
    assert first.only().id == again.only().id
    assert first.only().id == advisory_id(PLACE, "Skerry", "spo2-low", START_MS + 3000)


def test_place_patient_rule_and_onset_each_make_another_id() -> None:
    of = ("ward/bed", "Skerry", "spo2-low", START_MS)
    others = [
        ("ward/bed-2", *of[1:]),
        (of[0], "Vane", *of[2:]),
        (of[0], None, *of[2:]),
        (*of[:2], "spo2-very-low", of[3]),
        (*of[:3], START_MS + 1),
    ]
    assert len({advisory_id(*of), *(advisory_id(*other) for other in others)}) == 6


def test_an_advisory_says_what_and_why() -> None:
    ward = Ward(
        rule(
            for_s=10.0,
            says="Saturation is {spo2}.",
            because="For {held} it was {spo2}.",
            clears=above("spo2", 93.0),
            clears_for_s=5.0,
            look_at=("the probe",),
        )
    )
    ward.spo2(0.0, 89.0)
    ward.spo2(10.0, 87.0)
    advisory = ward.only()
    assert advisory.says == "Saturation is 87 %."
    assert advisory.because == "For 10 s it was 87 %."
    assert advisory.look_at == ["the probe"]
    (evidence,) = advisory.evidence
    assert (evidence.fact, evidence.value, evidence.limit_value) == ("spo2", 87.0, 90.0)
    assert "93 %" in advisory.clears_when
    assert "5 s" in advisory.clears_when


def test_a_rule_that_is_not_in_the_rule_set_any_more_is_cleared() -> None:
    # The service was started again with other rules, and took up its old state.
    ward = Ward(rule(), rule("co2-high", above("etco2", 55.0)))
    ward.at(0.0, {"spo2": 89.0, "etco2": 60.0})
    later = Ward(rule("co2-high", above("etco2", 55.0)))
    later.book = ward.book
    (event,) = later.at(1.0, {"spo2": 89.0, "etco2": 60.0})
    assert (event.kind, event.advisory.rule) == ("cleared", "spo2-low")
    assert "rule" in (event.reason or "")
    assert later.standing() == ["co2-high"]
    assert later.at(2.0, {"spo2": 89.0, "etco2": 60.0}) == []


def test_a_rule_below_its_limit_and_one_above_are_two_advisories() -> None:
    ward = Ward(rule(), rule("spo2-very-low", below("spo2", 80.0)))
    assert ward.spo2(0.0, 79.0) == ["raised", "raised"]
    assert ward.spo2(1.0, 85.0) == ["cleared"]
    assert ward.standing() == ["spo2-low"]
