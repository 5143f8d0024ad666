"""A pause keeps new advisories from speaking for a short time; it hides nothing."""

from __future__ import annotations

import json
from typing import Any

import pytest
from advisory_bench import Ward, above, below, kinds, rule, rule_set
from service_bench import PLACE, START_MS, arrival, new_watch, quantity, refusal, step_all

from rules.model import Escalation, Remind
from rules.priority import Harm, Onset, Priority
from service.advisories import LONGEST_PAUSE_MIN, Changes
from service.watch import Outcome, Watch

PRIORITIES = (Priority.LOW, Priority.MEDIUM, Priority.HIGH)
LOW = {"spo2": 80.0}


def _pause(ward: Ward, after_s: float = 0.0, minutes: float = 1.0) -> Changes:
    now_ms = START_MS + round(1000 * after_s)
    changes = ward.book.begin_pause("nurse", minutes, "suction", now_ms)
    assert isinstance(changes, Changes)
    return changes


def _resume(ward: Ward, after_s: float) -> Changes:
    now_ms = START_MS + round(1000 * after_s)
    changes = ward.book.end_pause("nurse", "done", ward.rules, now_ms)
    assert isinstance(changes, Changes)
    return changes


@pytest.mark.parametrize("priority", PRIORITIES)
def test_paused_it_is_raised_and_only_high_priority_speaks(priority: Priority) -> None:
    ward = Ward(rule(priority=priority))
    _pause(ward)
    (event,) = ward.at(1.0, LOW)
    assert (event.kind, event.speaks) == ("raised", priority is Priority.HIGH)
    assert ward.standing() == ["spo2-low"]


@pytest.mark.parametrize("priority", PRIORITIES)
def test_when_its_time_is_over_what_could_not_speak_speaks(priority: Priority) -> None:
    ward = Ward(rule(priority=priority))
    _pause(ward)
    ward.at(1.0, LOW)
    assert ward.book.next_due_ms(ward.rules) == START_MS + 60_000
    assert ward.at(59.95, LOW) == []
    events = ward.at(60.0, LOW)
    told = [(event.kind, event.speaks, event.reason) for event in events]
    silent = [("reminded", True, "it could not speak before")]
    assert told == ([] if priority is Priority.HIGH else silent)
    assert ward.at(61.0, LOW) == []


def test_resumed_what_could_not_speak_speaks_at_once() -> None:
    ward = Ward(rule())
    _pause(ward)
    ward.at(1.0, LOW)
    changes = _resume(ward, 20.0)
    assert kinds(changes.events) == ["reminded"]
    (event,) = changes.pauses
    assert (event.kind, event.by, event.reason) == ("resumed", "nurse", "done")
    assert ward.at(60.0, LOW) == []


def test_acknowledged_or_cleared_meanwhile_it_stays_silent() -> None:
    ward = Ward(rule(), rule("co2-high", above("etco2", 55.0)))
    _pause(ward)
    ward.at(1.0, {"spo2": 80.0, "etco2": 60.0})
    ward.at(2.0, {"spo2": 95.0, "etco2": 60.0})
    ward.book.acknowledge(ward.only().id, "nurse", START_MS + 3000)
    assert _resume(ward, 4.0).events == []


def test_what_spoke_before_the_pause_does_not_speak_again_at_its_end() -> None:
    ward = Ward(rule())
    ward.at(0.0, LOW)
    _pause(ward, 1.0)
    assert ward.at(61.0, LOW) == []


def test_explained_at_the_end_it_speaks_when_it_is_uncovered() -> None:
    cause = rule("cause", above("etco2", 55.0), priority=Priority.HIGH, outranks=("spo2-low",))
    ward = Ward(rule(), cause)
    _pause(ward)
    ward.at(1.0, LOW)
    both = {"spo2": 80.0, "etco2": 60.0}
    assert [(e.kind, e.speaks) for e in ward.at(2.0, both)] == [
        ("outranked", False),
        ("raised", True),
    ]
    assert ward.at(60.0, both) == []
    events = ward.at(70.0, {"spo2": 80.0, "etco2": 40.0})
    assert [(e.kind, e.speaks) for e in events] == [("cleared", False), ("uncovered", True)]


def test_uncovered_during_the_pause_it_speaks_at_its_end() -> None:
    cause = rule("cause", above("etco2", 55.0), outranks=("spo2-low",))
    ward = Ward(rule(), cause)
    both = {"spo2": 80.0, "etco2": 60.0}
    ward.at(0.0, both)
    _pause(ward, 1.0)
    events = ward.at(2.0, {"spo2": 80.0, "etco2": 40.0})
    assert [(e.kind, e.speaks) for e in events] == [("cleared", False), ("uncovered", False)]
    assert kinds(ward.at(61.0, {"spo2": 80.0, "etco2": 40.0})) == ["reminded"]


def test_no_reminders_while_paused() -> None:
    ward = Ward(rule(remind=Remind(raised_s=10.0), priority=Priority.HIGH))
    ward.at(0.0, LOW)
    _pause(ward, 5.0)
    assert [e.kind for s in range(6, 65) for e in ward.at(float(s), LOW)] == []
    assert kinds(ward.at(65.0, LOW)) == ["reminded"]


def test_risen_to_high_it_speaks_though_paused() -> None:
    worse = Escalation(Harm.DEATH, Onset.IMMEDIATE, for_s=10.0, when=below("spo2", 85.0))
    milder = Escalation(Harm.REVERSIBLE, Onset.PROMPT, for_s=10.0, when=below("spo2", 85.0))
    for escalate, speaks in ((worse, True), (milder, False)):
        ward = Ward(rule(priority=Priority.LOW, escalate=escalate))
        _pause(ward)
        ward.at(1.0, LOW)
        (event,) = ward.at(11.0, LOW)
        assert (event.kind, event.speaks) == ("escalated", speaks)


def test_high_priority_that_returns_speaks_though_paused() -> None:
    for priority in PRIORITIES:
        ward = Ward(rule(priority=priority))
        ward.at(0.0, LOW)
        ward.spo2(1.0, 95.0)
        _pause(ward, 2.0)
        (event,) = ward.at(3.0, LOW)
        assert (event.kind, event.speaks) == ("returned", priority is Priority.HIGH)


def test_another_patient_ends_the_pause() -> None:
    ward = Ward(rule())
    ward.at(0.0, {"spo2": 95.0}, patient="Skerry")
    _pause(ward, 1.0)
    (event,) = ward.at(2.0, LOW, patient="Vane")
    assert (event.kind, event.speaks) == ("raised", True)
    assert ward.book.pause is None


def test_the_first_patient_who_is_named_does_not_end_it() -> None:
    ward = Ward(rule())
    _pause(ward)
    ward.at(2.0, LOW, patient="Skerry")
    assert ward.book.pause is not None


@pytest.mark.parametrize(
    ("minutes", "reason", "said"),
    [
        (None, "suction", "minutes: say how long, up to 10 min"),
        (10.5, "suction", "minutes: more than 0 and at most 10, not 10.5"),
        (5.0, None, "reason: say why the place is to be paused"),
        (5.0, "  ", "reason: say why the place is to be paused"),
    ],
)
def test_a_pause_that_cannot_be_is_told(
    minutes: float | None, reason: str | None, said: str
) -> None:
    ward = Ward(rule())
    assert ward.book.begin_pause("nurse", minutes, reason, START_MS) == said
    assert ward.book.pause is None


def test_a_pause_is_not_lengthened_unseen() -> None:
    ward = Ward(rule())
    _pause(ward, minutes=LONGEST_PAUSE_MIN)
    said = ward.book.begin_pause("vet", 10.0, "again", START_MS + 1000)
    assert said == "already paused by nurse until 2026-11-25T13:10:00.000Z; resume first"


def test_resuming_what_is_not_paused_is_told() -> None:
    ward = Ward(rule())
    assert ward.book.end_pause("nurse", None, ward.rules, START_MS) == "this place is not paused"


# -- on the wire --------------------------------------------------------------------------------


def _ask(watch: Watch, seq: int, after_s: float, action: str, **changes: Any) -> Outcome:
    asked = arrival("request", seq, after_s, device="page", action=action, target=None, **changes)
    return step_all(watch, [asked])


def _bodies(outcome: Outcome, kind: str) -> list[dict[str, Any]]:
    topic = f"tidewarden/1/{PLACE}/{kind}"
    return [json.loads(m.payload) for m in outcome.outbox if m.topic == topic]


def _watch() -> Watch:
    watch = new_watch(rule_set(rule()))
    step_all(watch, [arrival("numerics", 1, values={"spo2": quantity(97.0, "%")})])
    return watch


def test_asked_for_it_is_answered_and_stands_with_who_until_when_and_why() -> None:
    watch = _watch()
    outcome = _ask(watch, 1, 3.0, "pause", minutes=2, reason="suction")
    (reply,) = _bodies(outcome, "reply")
    assert reply["done"]
    (standing,) = _bodies(outcome, "standing")
    assert standing["paused"] == {
        "by": "nurse",
        "since": "2026-11-25T13:00:03.050Z",
        "until": "2026-11-25T13:02:03.050Z",
        "reason": "suction",
    }
    ((place, event),) = outcome.pauses
    assert (place, event.kind, event.by, event.reason) == (PLACE, "paused", "nurse", "suction")
    resumed = _ask(watch, 2, 9.0, "resume", reason=None)
    assert _bodies(resumed, "standing")[0]["paused"] is None
    assert [event.kind for _, event in resumed.pauses] == ["resumed"]


def test_it_ends_of_itself_to_the_cycle_also_after_a_restart() -> None:
    watch = _watch()
    _ask(watch, 1, 3.0, "pause", minutes=0.005, reason="suction")
    other = new_watch(rule_set(rule()))
    other.restore(watch.checkpoint())
    for each in (watch, other):
        outcome = step_all(each, [], until_s=10.0)
        ((_, event),) = outcome.pauses
        assert (event.kind, event.by, event.reason) == ("resumed", None, "its time is over")
        assert event.at_ms == START_MS + 3350  # begun at 3.05 s, for 0.3 s


@pytest.mark.parametrize("minutes", [0, -1, "5", True, 1e9])
def test_minutes_that_are_no_time_are_refused(minutes: object) -> None:
    assert "minutes" in refusal("request", action="pause", minutes=minutes)


def test_an_advisory_body_says_whether_it_speaks() -> None:
    watch = _watch()
    _ask(watch, 1, 3.0, "pause", minutes=1, reason="suction")
    low = arrival("numerics", 2, 4.0, values={"spo2": quantity(80.0, "%")})
    (body,) = _bodies(step_all(watch, [low]), "advisory")
    assert (body["event"], body["speaks"]) == ("raised", False)
    assert (body["times"], body["intermittent"], body["ended_at"]) == (1, False, None)
    spoken = _bodies(step_all(watch, [], until_s=64.0), "advisory")
    assert [(body["event"], body["speaks"]) for body in spoken] == [("reminded", True)]
