"""What comes, goes and comes again soon is one intermittent advisory, not many."""

from __future__ import annotations

import pytest
from advisory_bench import Ward, above, kinds, rule, rule_set
from service_bench import START_MS, arrival, new_watch, quantity, step_all

from rules.priority import Priority
from service.watch import Watch


def test_back_within_the_time_it_is_the_same_advisory() -> None:
    ward = Ward(rule(again_s=60.0))
    (first,) = ward.at(0.0, {"spo2": 80.0})
    ward.spo2(10.0, 95.0)
    (event,) = ward.at(70.0, {"spo2": 79.0})
    assert (event.kind, event.reason) == ("returned", "back 60 s after it was over")
    assert event.advisory.id == first.advisory.id
    assert (event.advisory.times, event.advisory.intermittent) == (2, True)
    assert event.advisory.raised_ms == START_MS
    assert event.advisory.returned_ms == START_MS + 70_000
    assert (first.advisory.times, first.advisory.intermittent) == (1, False)


def test_back_later_it_is_a_new_one() -> None:
    ward = Ward(rule(again_s=60.0))
    (first,) = ward.at(0.0, {"spo2": 80.0})
    ward.spo2(10.0, 95.0)
    (event,) = ward.at(70.05, {"spo2": 79.0})
    assert (event.kind, event.advisory.times) == ("raised", 1)
    assert event.advisory.id != first.advisory.id


def test_it_has_to_hold_for_its_time_within_the_time() -> None:
    for begins_s, kind in ((50.0, "returned"), (51.0, "raised")):
        ward = Ward(rule(for_s=10.0, again_s=50.0))
        ward.spo2(0.0, 80.0)
        ward.spo2(10.0, 80.0)
        ward.spo2(10.0, 95.0)
        assert ward.spo2(begins_s, 80.0) == []
        assert ward.spo2(begins_s + 10.0, 80.0) == [kind]


@pytest.mark.parametrize("gap_s", [0.05, 5.0])
def test_zero_switches_it_off(gap_s: float) -> None:
    ward = Ward(rule(again_s=0.0))
    ward.spo2(0.0, 80.0)
    ward.spo2(10.0, 95.0)
    assert ward.spo2(10.0 + gap_s, 80.0) == ["raised"]


def test_from_then_on_it_clears_only_after_the_longer_time() -> None:
    ward = Ward(rule(again_s=60.0, clears=above("spo2", 93.0), clears_for_s=5.0))
    ward.spo2(0.0, 80.0)
    ward.spo2(10.0, 95.0)
    assert ward.spo2(15.0, 95.0) == ["cleared"]
    assert ward.spo2(20.0, 80.0) == ["returned"]
    assert "for 60 s" in ward.only().clears_when
    ward.spo2(30.0, 95.0)
    assert ward.book.next_due_ms(ward.rules) == START_MS + 90_000
    assert ward.spo2(89.95, 95.0) == []
    assert ward.spo2(90.0, 95.0) == ["cleared"]
    assert ward.spo2(100.0, 80.0) == ["returned"]
    assert ward.only().times == 3


def test_the_rules_own_time_to_clear_counts_when_it_is_longer() -> None:
    ward = Ward(rule(again_s=20.0, clears_for_s=30.0))
    ward.spo2(0.0, 80.0)
    ward.spo2(10.0, 95.0)
    assert ward.spo2(40.0, 95.0) == ["cleared"]
    ward.spo2(45.0, 80.0)
    ward.spo2(50.0, 95.0)
    assert ward.spo2(79.95, 95.0) == []
    assert ward.spo2(80.0, 95.0) == ["cleared"]


def test_a_value_that_swings_about_the_limit_speaks_twice_not_a_hundred_times() -> None:
    ward = Ward(rule(again_s=60.0))
    swings = [ward.spo2(5.0 * step, 91.0 if step % 2 else 89.0) for step in range(200)]
    assert [kind for moment in swings for kind in moment] == ["raised", "cleared", "returned"]


@pytest.mark.parametrize(
    ("priority", "state"),
    [(Priority.LOW, "acknowledged"), (Priority.MEDIUM, "acknowledged"), (Priority.HIGH, "raised")],
)
def test_an_acknowledgement_is_kept_unless_it_is_of_high_priority(
    priority: Priority, state: str
) -> None:
    ward = Ward(rule(priority=priority))
    ward.spo2(0.0, 80.0)
    ward.book.acknowledge(ward.only().id, "nurse", START_MS + 1000)
    ward.spo2(2.0, 95.0)
    (event,) = ward.at(3.0, {"spo2": 80.0})
    assert (event.kind, event.advisory.state) == ("returned", state)
    assert event.speaks is (state == "raised")
    assert (event.advisory.acknowledged_by == "nurse") is (state == "acknowledged")


def test_never_acknowledged_it_returns_as_raised() -> None:
    ward = Ward(rule())
    ward.spo2(0.0, 80.0)
    ward.spo2(2.0, 95.0)
    (event,) = ward.at(3.0, {"spo2": 80.0})
    assert (event.advisory.state, event.speaks) == ("raised", True)


def test_it_returns_with_the_texts_of_now() -> None:
    ward = Ward(rule(says="Saturation is {spo2}."))
    ward.spo2(0.0, 85.0)
    ward.spo2(2.0, 95.0)
    ward.spo2(3.0, 70.0)
    assert ward.only().says == "Saturation is 70 %."
    assert ward.only().evidence[0].value == 70.0


def test_unknown_facts_neither_clear_it_nor_bring_it_back() -> None:
    ward = Ward(rule(again_s=60.0))
    ward.spo2(0.0, 80.0)
    ward.spo2(1.0, 95.0)
    assert ward.at(2.0) == []
    assert ward.spo2(3.0, 80.0) == ["returned"]
    ward.spo2(4.0, 95.0)
    assert ward.at(60.0) == []
    assert ward.spo2(70.0, 95.0) == []
    assert ward.spo2(130.0, 95.0) == ["cleared"]


def test_what_was_of_one_patient_does_not_return_for_another() -> None:
    ward = Ward(rule())
    ward.at(0.0, {"spo2": 80.0}, patient="Skerry")
    ward.at(1.0, {"spo2": 95.0}, patient="Skerry")
    assert kinds(ward.at(2.0, {"spo2": 80.0}, patient="Vane")) == ["raised"]


def _low(watch: Watch, seq: int, after_s: float, value: float) -> list[str]:
    sent = arrival("numerics", seq, after_s, values={"spo2": quantity(value, "%")})
    return [event.kind for _, event, _ in step_all(watch, [sent]).events]


def test_what_cleared_lately_is_remembered_over_a_restart_and_then_forgotten() -> None:
    rules = rule_set(rule(again_s=60.0))
    first = new_watch(rules)
    assert _low(first, 1, 0.0, 80.0) == ["raised"]
    assert _low(first, 2, 1.0, 97.0) == ["cleared"]
    second = new_watch(rules)
    second.restore(first.checkpoint())
    assert _low(second, 3, 2.0, 80.0) == ["returned"]
    # Long after, nothing of it is left in the state.
    assert b"spo2-low says so" in first.checkpoint()
    step_all(first, [], until_s=70.0)
    assert b"spo2-low says so" not in first.checkpoint()
