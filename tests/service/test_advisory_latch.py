"""What latches stands until somebody has seen it, and tells that it is over."""

from __future__ import annotations

from advisory_bench import Ward, above, below, kinds, rule, rule_set
from service_bench import PLACE, START_MS, arrival, new_watch, quantity, step_all

from rules.priority import Priority
from service.advisories import Changes

LATCHED = rule(latch=True, clears=above("spo2", 93.0), clears_for_s=5.0)


def _acknowledge(ward: Ward, after_s: float) -> Changes:
    changes = ward.book.acknowledge(ward.only().id, "nurse", START_MS + round(1000 * after_s))
    assert isinstance(changes, Changes)
    return changes


def test_over_and_not_acknowledged_it_stands_on_as_ended() -> None:
    ward = Ward(LATCHED)
    ward.spo2(0.0, 80.0)
    assert ward.spo2(10.0, 95.0) == []
    (event,) = ward.at(15.0, {"spo2": 95.0})
    assert (event.kind, event.reason, event.speaks) == ("ended", "the condition has ended", False)
    assert (ward.only().state, ward.only().ended_ms) == ("raised", START_MS + 15_000)
    for after_s in range(16, 3600, 60):
        assert ward.spo2(float(after_s), 95.0) == []


def test_ended_it_is_cleared_at_the_acknowledgement() -> None:
    ward = Ward(LATCHED)
    ward.spo2(0.0, 80.0)
    ward.spo2(10.0, 95.0)
    ward.spo2(15.0, 95.0)
    first, second = _acknowledge(ward, 20.0).events
    assert (first.kind, first.by, first.advisory.state) == ("acknowledged", "nurse", "acknowledged")
    assert (second.kind, second.advisory.cleared_ms) == ("cleared", START_MS + 20_000)
    assert second.advisory.ended_ms == START_MS + 15_000
    assert ward.standing() == []


def test_acknowledged_before_it_is_cleared_when_it_is_over() -> None:
    ward = Ward(LATCHED)
    ward.spo2(0.0, 80.0)
    assert kinds(_acknowledge(ward, 2.0).events) == ["acknowledged"]
    ward.spo2(10.0, 95.0)
    assert ward.spo2(15.0, 95.0) == ["cleared"]


def test_unknown_facts_neither_end_it_nor_bring_it_back() -> None:
    ward = Ward(LATCHED)
    ward.spo2(0.0, 80.0)
    for after_s in range(1, 600, 20):
        assert ward.at(float(after_s)) == []
    assert ward.only().ended_ms is None
    ward.spo2(700.0, 95.0)
    ward.spo2(705.0, 95.0)
    assert ward.at(706.0) == []
    assert ward.only().ended_ms == START_MS + 705_000


def test_back_again_the_end_is_taken_back() -> None:
    ward = Ward(rule(latch=True, for_s=10.0))
    ward.spo2(0.0, 80.0)
    ward.spo2(10.0, 80.0)
    identity = ward.only().id
    assert ward.spo2(20.0, 95.0) == ["ended"]
    assert ward.spo2(600.0, 80.0) == []
    (event,) = ward.at(610.0, {"spo2": 80.0})
    assert (event.kind, event.speaks) == ("returned", True)
    assert event.reason == "back 9 min after it was over"
    advisory = ward.only()
    assert (advisory.id, advisory.ended_ms, advisory.times) == (identity, None, 2)
    assert advisory.returned_ms == START_MS + 610_000


def test_acknowledged_while_its_condition_begins_again_it_returns() -> None:
    ward = Ward(rule(latch=True, for_s=10.0))
    ward.spo2(0.0, 80.0)
    ward.spo2(10.0, 80.0)
    ward.spo2(20.0, 95.0)
    ward.spo2(25.0, 80.0)
    assert kinds(_acknowledge(ward, 30.0).events) == ["acknowledged", "cleared"]
    assert ward.spo2(35.0, 80.0) == ["returned"]


def test_what_leaves_its_scope_is_kept_until_it_is_seen() -> None:
    ward = Ward(rule(latch=True, only_in={"mode": ("controlled",)}))
    ward.at(0.0, {"spo2": 80.0, "settings.mode": "controlled"})
    (event,) = ward.at(1.0, {"spo2": 80.0, "settings.mode": "spontaneous"})
    assert (event.kind, event.reason) == ("ended", "does not apply any more: mode is spontaneous")
    assert ward.at(2.0, {"spo2": 80.0, "settings.mode": "spontaneous"}) == []
    assert ward.standing() == ["spo2-low"]


def test_another_patient_clears_what_latched() -> None:
    ward = Ward(rule(latch=True))
    ward.at(0.0, {"spo2": 80.0}, patient="Skerry")
    ward.at(1.0, {"spo2": 95.0}, patient="Skerry")
    assert kinds(ward.at(2.0, {"spo2": 95.0}, patient="Vane")) == ["cleared"]


def test_what_is_over_explains_nothing_any_more() -> None:
    # It only waits to be seen; what it explained goes on and must be heard.
    cause = rule("cause", above("etco2", 55.0), latch=True, outranks=("effect",))
    ward = Ward(cause, rule("effect", below("spo2", 90.0), priority=Priority.LOW))
    ward.at(0.0, {"etco2": 60.0, "spo2": 80.0})
    events = ward.at(1.0, {"etco2": 40.0, "spo2": 80.0})
    assert [(e.kind, e.advisory.rule, e.speaks) for e in events] == [
        ("ended", "cause", False),
        ("uncovered", "effect", True),
    ]
    events = ward.at(2.0, {"etco2": 60.0, "spo2": 80.0})
    assert [(e.kind, e.advisory.rule) for e in events] == [
        ("outranked", "effect"),
        ("returned", "cause"),
    ]


def test_findings_tell_of_the_end_once() -> None:
    watch = new_watch(rule_set(rule(latch=True)))
    told = []
    for seq, value in enumerate((80.0, 97.0, 97.0), start=1):
        low = arrival("numerics", seq, float(seq), values={"spo2": quantity(value, "%")})
        told += [finding.holds for _, finding in step_all(watch, [low]).findings]
    (advisory,) = watch.state.places[PLACE].book.standing()
    asked = arrival("request", 1, 5.0, device="page", target=advisory.id)
    told += [finding.holds for _, finding in step_all(watch, [asked]).findings]
    assert told == [True, False]
