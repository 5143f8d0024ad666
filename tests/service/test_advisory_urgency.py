"""What stands long speaks again, and what gets worse becomes more urgent, once."""

from __future__ import annotations

import pytest
from advisory_bench import Ward, above, below, kinds, rule
from service_bench import START_MS

from rules.model import Escalation, Remind
from rules.priority import Harm, Onset, Priority
from service.advisories import AdvisoryEvent

LOW = {"spo2": 80.0}
REMINDING = rule(remind=Remind(raised_s=30.0, acknowledged_s=100.0))


def _each_second(ward: Ward, first_s: int, until_s: int) -> list[tuple[int, AdvisoryEvent]]:
    """All events of a low saturation, looked at once a second, with the second of each."""
    seconds = range(first_s, until_s)
    return [(after_s, event) for after_s in seconds for event in ward.at(float(after_s), LOW)]


def test_reminded_while_raised_and_more_seldom_once_acknowledged() -> None:
    ward = Ward(REMINDING)
    raised = _each_second(ward, 0, 100)
    assert [(s, e.kind) for s, e in raised] == [
        (0, "raised"),
        (30, "reminded"),
        (60, "reminded"),
        (90, "reminded"),
    ]
    assert all(event.speaks for _, event in raised)
    assert raised[-1][1].reason == "still there after 90 s, not acknowledged"
    ward.book.acknowledge(ward.only().id, "nurse", START_MS + 100_000)
    after = _each_second(ward, 100, 420)
    assert [(s, e.kind, e.speaks) for s, e in after] == [
        (200, "reminded", True),
        (300, "reminded", True),
        (400, "reminded", True),
    ]
    assert after[-1][1].reason == "still there after 6 min, acknowledged by nurse"
    assert ward.only().state == "acknowledged"


def test_never_reminded_without_a_time_for_it() -> None:
    ward = Ward(rule())
    assert [e.kind for _, e in _each_second(ward, 0, 4000)] == ["raised"]


def test_the_next_reminder_is_when_to_look_again() -> None:
    ward = Ward(REMINDING)
    ward.at(0.0, LOW)
    assert ward.book.next_due_ms(ward.rules) == START_MS + 30_000
    ward.at(40.0, LOW)
    assert ward.book.next_due_ms(ward.rules) == START_MS + 70_000
    ward.book.acknowledge(ward.only().id, "nurse", START_MS + 50_000)
    assert ward.book.next_due_ms(ward.rules) == START_MS + 150_000


def test_what_is_explained_is_not_reminded_of() -> None:
    cause = rule("cause", above("etco2", 55.0), outranks=("spo2-low",))
    ward = Ward(REMINDING, cause)
    both = {"spo2": 80.0, "etco2": 60.0}
    ward.at(0.0, both)
    assert [e.kind for s in range(1, 200) for e in ward.at(float(s), both)] == []
    assert ward.book.next_due_ms(ward.rules) is None
    # Uncovered it speaks, and its time counts from there.
    events = ward.at(200.0, {"spo2": 80.0, "etco2": 40.0})
    assert [(e.kind, e.speaks) for e in events] == [("cleared", False), ("uncovered", True)]
    assert ward.book.next_due_ms(ward.rules) == START_MS + 230_000


def test_acknowledged_and_uncovered_its_time_counts_from_there() -> None:
    cause = rule("cause", above("etco2", 55.0), outranks=("spo2-low",))
    ward = Ward(REMINDING, cause)
    both, alone = {"spo2": 80.0, "etco2": 60.0}, {"spo2": 80.0, "etco2": 40.0}
    ward.at(0.0, both)
    explained = ward.book.standing()[-1]
    assert explained.rule == "spo2-low"
    ward.book.acknowledge(explained.id, "nurse", START_MS + 1000)
    assert kinds(ward.at(300.0, alone)) == ["cleared", "uncovered"]
    assert ward.at(399.0, alone) == []
    assert kinds(ward.at(400.0, alone)) == ["reminded"]


def test_unknown_facts_do_not_stop_the_reminders() -> None:
    ward = Ward(REMINDING)
    ward.at(0.0, LOW)
    assert kinds(e for s in range(1, 100) for e in ward.at(float(s))) == ["reminded"] * 3


# -- escalation ---------------------------------------------------------------------------------

WORSE = Escalation(Harm.DEATH, Onset.IMMEDIATE, for_s=20.0, when=below("spo2", 70.0))
STANDING = Escalation(Harm.DEATH, Onset.IMMEDIATE, for_s=60.0)


def test_worse_for_long_enough_it_becomes_more_urgent_once() -> None:
    ward = Ward(rule(escalate=WORSE))
    ward.spo2(0.0, 80.0)
    ward.book.acknowledge(ward.only().id, "nurse", START_MS + 1000)
    assert ward.spo2(10.0, 65.0) == []
    assert ward.book.next_due_ms(ward.rules) == START_MS + 30_000
    assert ward.spo2(29.95, 65.0) == []
    (event,) = ward.at(30.0, {"spo2": 65.0})
    assert (event.kind, event.speaks) == ("escalated", True)
    assert event.reason == "what makes it more urgent has held for 20 s"
    assert (event.advisory.priority, event.advisory.state) == (Priority.HIGH, "raised")
    assert (event.advisory.acknowledged_by, event.advisory.acknowledged_ms) == (None, None)
    for after_s in range(31, 200):
        assert ward.spo2(float(after_s), 65.0) == []
    assert ward.book.next_due_ms(ward.rules) is None


@pytest.mark.parametrize("between", [{"spo2": 75.0}, {}])
def test_a_break_starts_its_time_again(between: dict[str, float]) -> None:
    ward = Ward(rule(escalate=WORSE))
    ward.spo2(0.0, 65.0)
    ward.at(15.0, between)
    assert ward.spo2(16.0, 65.0) == []
    assert ward.spo2(35.95, 65.0) == []
    assert ward.spo2(36.0, 65.0) == ["escalated"]


def test_it_counts_only_while_the_advisory_stands() -> None:
    ward = Ward(rule(escalate=WORSE, for_s=15.0))
    ward.spo2(0.0, 65.0)
    assert ward.spo2(15.0, 65.0) == ["raised"]
    assert ward.spo2(34.95, 65.0) == []
    assert ward.spo2(35.0, 65.0) == ["escalated"]


def test_standing_alone_can_be_enough() -> None:
    ward = Ward(rule(escalate=STANDING))
    ward.at(0.0, LOW)
    (event,) = ward.at(60.0)  # unknown by now, and it stands
    assert (event.kind, event.reason) == ("escalated", "it has stood for 60 s")


def test_not_while_it_is_about_to_clear() -> None:
    ward = Ward(rule(escalate=STANDING, clears_for_s=30.0))
    ward.at(0.0, LOW)
    ward.spo2(50.0, 95.0)
    assert ward.spo2(70.0, 95.0) == []
    assert ward.book.next_due_ms(ward.rules) == START_MS + 80_000
    assert ward.spo2(75.0, 80.0) == ["escalated"]


def test_not_while_it_is_over_and_only_waits_to_be_seen() -> None:
    ward = Ward(rule(escalate=STANDING, latch=True))
    ward.at(0.0, LOW)
    ward.spo2(50.0, 95.0)
    assert [kind for s in range(51, 300) for kind in ward.spo2(float(s), 95.0)] == []
    assert ward.spo2(300.0, 80.0) == ["returned"]
    assert ward.spo2(359.0, 80.0) == []
    assert ward.spo2(360.0, 80.0) == ["escalated"]


@pytest.mark.parametrize("priority", [Priority.HIGH, Priority.MEDIUM])
def test_never_to_the_same_or_a_lower_priority(priority: Priority) -> None:
    to_medium = Escalation(Harm.REVERSIBLE, Onset.PROMPT, for_s=5.0)
    ward = Ward(rule(priority=priority, escalate=to_medium))
    ward.at(0.0, LOW)
    assert [e.kind for s in range(1, 60) for e in ward.at(float(s), LOW)] == []
    assert ward.only().priority is priority


def test_back_again_it_keeps_its_priority_and_does_not_escalate_twice() -> None:
    ward = Ward(rule(escalate=STANDING))
    ward.at(0.0, LOW)
    ward.at(60.0, LOW)
    ward.spo2(61.0, 95.0)
    (event,) = ward.at(62.0, LOW)
    assert (event.kind, event.advisory.priority) == ("returned", Priority.HIGH)
    assert [e.kind for s in range(63, 200) for e in ward.at(float(s), LOW)] == []


def test_the_reminders_count_from_the_escalation() -> None:
    ward = Ward(rule(escalate=STANDING, remind=Remind(raised_s=50.0)))
    told = [(s, e.kind) for s, e in _each_second(ward, 0, 170)]
    assert told == [(0, "raised"), (50, "reminded"), (60, "escalated"), (110, "reminded"),
                    (160, "reminded")]  # fmt: skip
