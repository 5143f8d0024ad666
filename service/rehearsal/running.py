"""Running a scenario: messages through the watch that runs live, facts through its book alone."""

from __future__ import annotations

import json
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field

from rules.engine import Engine
from rules.model import Rule, RuleSet
from service.advisories import Advisory, AdvisoryEvent, Book, Changes, Moment, Writer
from service.bedside import Bedside
from service.facts import FactSet
from service.instants import to_text
from service.intake import Arrival
from service.judge import Judge
from service.outbound import encode
from service.rehearsal.looks import Look, instant, looks_at, seconds
from service.rehearsal.scenario import Asked, Facts, Scenario
from service.watch import CYCLE_MS, Outcome, Watch
from service.wording import write_advisory

WARD, PLACE = "rehearsal", "bay-1"
_NAME = f"{WARD}/{PLACE}"


@dataclass(slots=True)
class Ran:
    """What came of a scenario: each look, every change of an advisory, and what went wrong.

    `unmet` are requests that could not be met, with why; `faults` what should not be: messages
    that were refused, looks that failed.
    """

    looks: list[Look] = field(default_factory=list)
    events: list[AdvisoryEvent] = field(default_factory=list)
    unmet: list[tuple[Asked, str]] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)

    def look_at(self, at_s: float) -> Look | None:
        """The last look at or before this time (s)."""
        number = bisect_left(self.looks, instant(at_s) + 1, key=lambda look: look.now_ms)
        return self.looks[number - 1] if number else None

    def explainer(self, event: AdvisoryEvent) -> str | None:
        """The rule whose advisory explains this one at that moment."""
        above = event.advisory.outranked_by
        if above is None:
            return None
        return next((one.advisory.rule for one in self.events if one.advisory.id == above), None)


def event_s(event: AdvisoryEvent) -> float:
    """When it happened, in s since the scenario began."""
    return seconds(event.at_ms)


def run_facts(scenario: Scenario, timeline: Facts, judge: Judge) -> Ran:
    """Run a scenario whose facts are given."""
    return run_looks(list(looks_at(scenario, timeline, judge.wanted)), judge, scenario.asked)


def run_looks(
    looks: Sequence[Look],
    judge: Judge,
    asked: Sequence[Asked] = (),
    write: Writer | None = None,
) -> Ran:
    """Judge looks that were seen before; what falls due between two is judged by the earlier.

    `write` writes the advisories; by default they are written as live.
    """
    desk = _Desk(judge, write)
    waiting = list(asked)
    for look in looks:
        desk.wait_until(look.now_ms)
        desk.see(look)
        while waiting and waiting[0].at_s <= look.at_s:
            desk.ask(waiting.pop(0))
    return desk.ran


class _Desk:
    """One place's book, moved from look to look."""

    def __init__(self, judge: Judge, write: Writer | None) -> None:
        self._judge = judge
        self._write = write or self._as_live
        self._book = Book()
        self._bedside = Bedside(WARD, PLACE)
        self.ran = Ran()

    def wait_until(self, until_ms: int) -> None:
        """Everything that falls due by the mere passing of time before this moment."""
        looks = self.ran.looks
        while looks:
            due_ms = self._book.next_due_ms(self._judge.rule_set)
            if due_ms is None or not looks[-1].now_ms < due_ms < until_ms:
                return
            self.see(looks[-1].again(due_ms))

    def see(self, look: Look) -> None:
        self.ran.looks.append(look)
        following = self._book.under_way()
        moment = self._judge.moment(look.patient, look.facts, look.now_ms, following)
        changes = self._book.move(_NAME, self._judge.rule_set, moment, self._write)
        self.ran.events += changes.events

    def ask(self, asked: Asked) -> None:
        answer = self._answer(asked, self.ran.looks[-1].now_ms)
        if isinstance(answer, Changes):
            self.ran.events += answer.events
        else:
            self.ran.unmet.append((asked, answer))

    def _answer(self, asked: Asked, now_ms: int) -> Changes | str:
        if asked.action == "acknowledge":
            target = standing_id(self._book, asked.rule)
            if target is None:
                return f"no advisory of {asked.rule} stands"
            return self._book.acknowledge(target, asked.by, now_ms)
        if asked.action == "pause":
            return self._book.begin_pause(asked.by, asked.minutes, asked.reason, now_ms)
        return self._book.end_pause(asked.by, asked.reason, self._judge.rule_set, now_ms)

    def _as_live(self, rule: Rule, at: Moment, onset_ms: int, identity: str) -> Advisory:
        causes = self._judge.rule_set.causes
        return write_advisory(self._bedside, rule, at, onset_ms, identity, causes)


def run_messages(
    scenario: Scenario, arrivals: Sequence[Arrival], rule_set: RuleSet, engine: Engine
) -> Ran:
    """Run a scenario whose messages are given, in order of receipt, from START_MS on."""
    return _Live(rule_set, engine).run(scenario, arrivals)


class _Live:
    """A watch as in a live service, with one place."""

    def __init__(self, rule_set: RuleSet, engine: Engine) -> None:
        self.ran = Ran()
        self._asked = 0
        self._watch = Watch(rule_set, engine, on_look=self._keep)

    def run(self, scenario: Scenario, arrivals: Sequence[Arrival]) -> Ran:
        waiting = arrivals
        for asked in scenario.asked:
            now_ms = _cycle_ms(asked.at_s)
            waiting = self._pass(waiting, now_ms)
            request = self._request(asked, now_ms)
            if request is not None:
                waiting = sorted([request, *waiting], key=lambda arrival: arrival.received_ms)
                waiting = self._pass(waiting, now_ms + CYCLE_MS, asked)
        self._pass(waiting, _cycle_ms(scenario.lasts_s))
        return self.ran

    def _keep(self, bedside: Bedside, facts: FactSet, now_ms: int) -> None:
        self.ran.looks.append(Look(now_ms, bedside.patient, facts))

    def _pass(
        self, arrivals: Sequence[Arrival], until_ms: int, asked: Asked | None = None
    ) -> Sequence[Arrival]:
        """Up to this moment; returns what arrives later."""
        first = bisect_left(arrivals, until_ms, key=lambda arrival: arrival.received_ms)
        outcome = self._watch.step(arrivals[:first], until_ms)
        self._take(outcome)
        if asked is not None:
            self.ran.unmet += [(asked, reason) for reason in _refusals(outcome)]
        return arrivals[first:]

    def _request(self, asked: Asked, now_ms: int) -> Arrival | None:
        """The message by which a person asks; the answer comes with the cycle that it is in."""
        name = next(iter(self._watch.state.places), None)
        book = None if name is None else self._watch.state.places[name].book
        target = None if book is None else standing_id(book, asked.rule)
        if name is None or (asked.rule is not None and target is None):
            self.ran.unmet.append((asked, f"no advisory of {asked.rule} stands"))
            return None
        self._asked += 1
        body = {
            "schema": 1, "device": "a person in the scenario", "epoch": "1", "seq": self._asked,
            "at": to_text(now_ms), "id": f"request-{self._asked}", "by": asked.by,
            "action": asked.action, "target": target, "minutes": asked.minutes,
            "reason": asked.reason,
        }  # fmt: skip
        return Arrival(now_ms, f"tidewarden/1/{name}/request", encode(body))

    def _take(self, outcome: Outcome) -> None:
        ran = self.ran
        ran.events += [event for _, event, _ in outcome.events]
        ran.faults += [f"{one.arrival.topic}: {one.reason}" for one in outcome.refused]
        ran.faults += [f"{place}: {kind} while it was evaluated" for place, kind in outcome.failed]


def _refusals(outcome: Outcome) -> list[str]:
    replies = [json.loads(one.payload) for one in outcome.outbox if one.topic.endswith("/reply")]
    return [str(reply["reason"]) for reply in replies if not reply["done"]]


def _cycle_ms(at_s: float) -> int:
    return -(-instant(at_s) // CYCLE_MS) * CYCLE_MS


def standing_id(book: Book, rule: str | None) -> str | None:
    """The id of the advisory of a rule that stands."""
    return next((one.id for one in book.standing() if one.rule == rule), None)
