"""A rule set on trial: it judges in silence, and can neither change nor stop the active one."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace

import pytest
from advisory_bench import above, below, rule, rule_set
from service_bench import (
    PLACE,
    START_MS,
    arrival,
    hospital_minute,
    library_rules,
    new_watch,
    payloads,
    quantity,
    step_all,
)

from rules.engine.plain import PlainEngine
from rules.limits import Confidence, ResolvedLimit, Source
from rules.model import Cause, RuleSet, Sign
from service.intake import Arrival
from service.watch import Outcome, Watch

LOW = {"spo2": quantity(70.0, "%")}


def _trial_bodies(outcomes: Iterable[Outcome]) -> list[Mapping[str, object]]:
    return [body for outcome in outcomes for _, _, body in outcome.trial_events]


def _bodies(outcomes: Iterable[Outcome]) -> list[Mapping[str, object]]:
    return [body for outcome in outcomes for _, _, body in outcome.events]


def _by_second(watch: Watch, arrivals: Iterable[Arrival], first_s: int, last_s: int) -> list:
    outcomes = []
    came = list(arrivals)
    for second in range(first_s, last_s):
        begins_ms = START_MS + 1000 * second
        due = [a for a in came if begins_ms <= a.received_ms < begins_ms + 1000]
        outcomes.append(watch.step(due, begins_ms + 1000))
    return outcomes


def _looser() -> RuleSet:
    """The library, but that it asks for facts of its own and nothing is outranked."""
    rules = tuple(replace(item, outranks=()) for item in library_rules().rules)
    own = rule("always", above("spo2", 1.0))
    return replace(library_rules(), rules=(*rules, own), sha256="f" * 64, version="9.9.9")


def test_the_same_rules_on_trial_say_the_very_same() -> None:
    watch = new_watch()
    watch.try_out(library_rules(), PlainEngine(library_rules()))
    outcomes = _by_second(watch, hospital_minute(), 0, 60)
    assert len({body["rule"] for body in _bodies(outcomes)}) >= 3
    # What is acknowledged at the bedside counts for the candidate's advisory of the same id.
    name, standing = next(
        (name, place.book.standing()[0])
        for name, place in watch.state.places.items()
        if place.book.standing()
    )
    ask = arrival("request", 1, 60.2, device="page", action="acknowledge", target=standing.id)
    ask = replace(ask, topic=f"tidewarden/1/{name}/request")
    outcomes += [watch.step([ask], START_MS + 61_000)]
    assert "acknowledged" in {body["event"] for body in _bodies(outcomes)}
    assert _trial_bodies(outcomes) == _bodies(outcomes)
    found = [finding for outcome in outcomes for finding in outcome.findings]
    assert found
    assert [finding for outcome in outcomes for finding in outcome.trial_findings] == found


def test_the_candidate_weighs_the_causes_that_it_describes_itself() -> None:
    sign = Sign(below("spo2", 75.0), "saturation is {spo2}")
    source = Source("made up for a test", Confidence.PUBLISHED)
    described = Cause("hypoxaemia", "Too little oxygen", "The tube.", (sign,), (), source)
    active = rule_set(rule())
    candidate = replace(active, causes={described.id: described}, sha256="4" * 64)
    watch = new_watch(active)
    watch.try_out(candidate, PlainEngine(candidate))
    outcome = step_all(watch, [arrival("numerics", n, float(n), values=LOW) for n in range(3)])
    ((raised,), (tried,)) = _bodies([outcome]), _trial_bodies([outcome])
    assert raised["may_be"] == []
    assert tried["may_be"] == [
        {"cause": "hypoxaemia", "title": "Too little oxygen", "look": "The tube.",
         "fits": ["saturation is 70 %"], "against": [], "undecided": 0},
    ]  # fmt: skip


def test_a_trial_changes_nothing_of_what_is_decided() -> None:
    alone, beside = new_watch(), new_watch()
    beside.try_out(_looser(), PlainEngine(_looser()))
    without = _by_second(alone, hospital_minute(), 0, 60)
    with_trial = _by_second(beside, hospital_minute(), 0, 60)
    assert payloads(without) == payloads(with_trial)
    assert _bodies(without) == _bodies(with_trial)
    own = {body["rule"] for body in _trial_bodies(with_trial)}
    assert "always" in own, "the candidate had something of its own to say"
    assert all(b"9.9.9" not in payload for _, payload, _ in payloads(with_trial))
    # Nor of its state, but for the trial's own.
    beside.end_trial()
    assert beside.checkpoint() == alone.checkpoint()


class _Broken:
    """An engine that fails after some evaluations."""

    name = "broken"

    def __init__(self, after: int) -> None:
        self._left = after

    def evaluate(
        self,
        facts: Mapping[str, object],
        limits: Mapping[str, ResolvedLimit],
        following: Collection[str] | None = None,
    ) -> frozenset[str]:
        self._left -= 1
        if self._left < 0:
            raise ZeroDivisionError("a patient's facts")
        return frozenset()


@pytest.mark.parametrize("after", [0, 37])
def test_a_trial_that_fails_is_stopped_and_the_rest_goes_on(after: int) -> None:
    alone, beside = new_watch(), new_watch()
    beside.try_out(_looser(), _Broken(after))
    without = _by_second(alone, hospital_minute(), 0, 60)
    with_trial = _by_second(beside, hospital_minute(), 0, 60)
    assert payloads(without) == payloads(with_trial)
    (failed,) = [o.trial_failed for o in with_trial if o.trial_failed]
    assert "ZeroDivisionError" in failed
    assert "facts" not in failed, "the text of an error may hold a patient's facts"
    assert beside.candidate is None
    assert not [o.failed for o in with_trial if o.failed]


def test_a_trial_goes_on_after_a_restart() -> None:
    through, before = new_watch(), new_watch()
    for watch in (through, before):
        watch.try_out(_looser(), PlainEngine(_looser()))
    whole = _by_second(through, hospital_minute(), 0, 60)
    first = _by_second(before, hospital_minute(), 0, 31)
    after = new_watch()
    after.restore(before.checkpoint())
    after.try_out(_looser(), PlainEngine(_looser()))
    second = _by_second(after, hospital_minute(), 31, 60)
    assert _trial_bodies(first + second) == _trial_bodies(whole)
    assert after.checkpoint() == through.checkpoint()


def test_a_trial_that_begins_while_a_condition_holds_speaks_no_later() -> None:
    """Half of `for` has passed when it begins; what stands is told at its first look."""
    slow = replace(rule("slow"), for_s=10.0)
    active = rule_set(rule("stands"), slow)
    candidate = replace(active, sha256="3" * 64)
    watch = new_watch(active)
    low = [arrival("numerics", n, float(n), values=LOW) for n in range(20)]
    before = _by_second(watch, low, 0, 5)
    watch.try_out(candidate, PlainEngine(candidate))
    after = _by_second(watch, low, 5, 20)
    raised = {body["rule"]: body for body in _bodies(before + after)}
    tried = {body["rule"]: body for body in _trial_bodies(after)}
    assert tried["slow"] == {**raised["slow"], "rule_set": tried["slow"]["rule_set"]}
    assert tried["stands"]["id"] == raised["stands"]["id"]


def test_another_trial_begins_with_empty_books() -> None:
    watch = new_watch(rule_set(rule("high", above("spo2", 99.0))))
    first, second = rule_set(rule()), replace(rule_set(rule()), sha256="1" * 64)
    watch.try_out(first, PlainEngine(first))
    low = step_all(watch, [arrival("numerics", n, float(n), values=LOW) for n in range(3)])
    assert [body["event"] for body in _trial_bodies([low])] == ["raised"]
    watch.try_out(second, PlainEngine(second))
    again = step_all(watch, [arrival("numerics", 3, 3.0, values=LOW)])
    assert [body["event"] for body in _trial_bodies([again])] == ["raised"]


def test_a_switch_keeps_what_stands_where_the_rule_still_exists() -> None:
    old = rule_set(rule("low"), rule("gone", below("spo2", 80.0)))
    new = replace(rule_set(rule("low", below("spo2", 85.0))), version="0.0.2", sha256="2" * 64)
    watch = new_watch(old)
    low = step_all(watch, [arrival("numerics", n, float(n), values=LOW) for n in range(3)])
    raised = {event.advisory.rule: event.advisory.id for _, event, _ in low.events}
    assert set(raised) == {"low", "gone"}
    watch.use(new, PlainEngine(new))
    outcome = step_all(watch, [arrival("numerics", 3, 3.0, values=LOW)])
    cleared = {(e.advisory.rule, b["rule_set"]["version"]) for _, e, b in outcome.events}
    assert cleared == {("gone", "0.0.2")}
    (kept,) = watch.state.places[PLACE].book.standing()
    assert kept.id == raised["low"]
    # 87 is low by the old limit and not by the new one, which now decides.
    better = {"spo2": quantity(87.0, "%")}
    outcome = step_all(watch, [arrival("numerics", 4, 4.0, values=better)])
    assert [(e.kind, b["rule_set"]["version"]) for _, e, b in outcome.events] == [
        ("cleared", "0.0.2")
    ]
