"""The watch over all places: cycles of fixed length, each a pure function of what was received.

A cycle takes what was received in its bin of time, updates the places touched and those whose
time has come, and says what is to be kept and published. It reads no clock: it is told up to
which moment all arrivals are known. A live service, a restart and a replay run this same code.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from typing import Final

from pydantic import TypeAdapter

from rules.engine import Engine
from rules.model import Rule, RuleSet
from service import messages as wire
from service import outbound
from service.advisories import (
    Advisory,
    AdvisoryEvent,
    Book,
    Changes,
    Finding,
    Moment,
    PauseEvent,
)
from service.bedside import Bedside
from service.facts import FactSet, facts_of
from service.intake import Accepted, Arrival, Intake, IntakeState, Refused, Repeat
from service.judge import Judge
from service.known import Completed
from service.outbound import Outgoing
from service.physiology.uncertain import Uncertain
from service.requests import answer
from service.signals.breaths import Breath, Effort, Inflation
from service.signals.capnogram import Co2Breath
from service.trial import Trial, TrialState, begun
from service.usual import usual_message, usual_of
from service.wording import write_advisory

CYCLE_MS: Final = 50
#: A place is looked at this often even when nothing arrives: silence is news too.
LOOK_EVERY_MS: Final = 1000
#: After a restart a silent place is first looked at this much later, so that what waited at the
#: broker arrives before anything is called missing.
GRACE_MS: Final = 5000
#: Written into a checkpoint; another number means that the state cannot be taken up.
STATE_FORMAT: Final = 5


@dataclass(slots=True)
class PlaceState:
    """All state of one place: what is known there, what is advised, when to look next.

    `usual` is what was told last of what is usual there; None when nothing was yet.
    """

    bedside: Bedside
    book: Book = field(default_factory=Book)
    due_ms: int = 0
    usual: dict[str, float] | None = None


@dataclass(slots=True)
class WatchState:
    """All state of a watch. `reached_ms` is the end of the last cycle."""

    format: int = STATE_FORMAT
    rules_sha256: str = ""
    reached_ms: int = 0
    intake: IntakeState = field(default_factory=IntakeState)
    places: dict[str, PlaceState] = field(default_factory=dict)
    trial: TrialState | None = None


@dataclass(slots=True)
class Outcome:
    """What cycles decided: to be kept in one transaction, then published."""

    accepted: list[Accepted] = field(default_factory=list)
    refused: list[Refused] = field(default_factory=list)
    repeats: int = 0
    breaths: list[tuple[str, Breath, Uncertain | None]] = field(default_factory=list)
    efforts: list[tuple[str, Effort]] = field(default_factory=list)
    artefacts: list[tuple[str, Inflation]] = field(default_factory=list)
    co2_breaths: list[tuple[str, Co2Breath]] = field(default_factory=list)
    findings: list[tuple[str, Finding]] = field(default_factory=list)
    events: list[tuple[str, AdvisoryEvent, dict[str, object]]] = field(default_factory=list)
    pauses: list[tuple[str, PauseEvent]] = field(default_factory=list)
    outbox: list[Outgoing] = field(default_factory=list)
    derived: list[Outgoing] = field(default_factory=list)
    evaluations: int = 0
    #: Places whose evaluation failed, with the kind of error: a fault of ours, to be made known.
    failed: list[tuple[str, str]] = field(default_factory=list)
    #: What a rule set on trial would have said; kept, never published.
    trial_events: list[tuple[str, AdvisoryEvent, dict[str, object]]] = field(default_factory=list)
    trial_findings: list[tuple[str, Finding]] = field(default_factory=list)
    #: Why the trial was stopped, when it failed: it decides nothing, so the rest goes on.
    trial_failed: str | None = None
    reached_ms: int = 0
    resumed_ms: int | None = None

    def is_empty(self) -> bool:
        """Whether there is nothing to keep."""
        read = self.accepted or self.refused or self.breaths or self.co2_breaths
        decided = self.findings or self.events or self.pauses
        tried = self.trial_events or self.trial_findings
        return not (read or decided or tried or self.outbox)


_STATE: Final = TypeAdapter(WatchState)


class Watch:
    """Watches all places with one rule set and one engine; another may be on trial beside it."""

    def __init__(
        self,
        rule_set: RuleSet,
        engine: Engine,
        *,
        instance: str = "tidewarden",
        places: Collection[str] | None = None,
        cycle_ms: int = CYCLE_MS,
        on_look: Callable[[Bedside, FactSet, int], None] | None = None,
    ) -> None:
        """`on_look` is given what each look at a place sees: bedside, facts, and when (ms)."""
        self._on_look = on_look
        self._judge = Judge(rule_set, engine)
        self._trial: Trial | None = None
        self._instance = instance
        self._cycle_ms = cycle_ms
        self._intake = Intake(places)
        self.state = WatchState(rules_sha256=rule_set.sha256, intake=self._intake.state)

    @property
    def rule_set(self) -> RuleSet:
        """The rules that decide."""
        return self._judge.rule_set

    @property
    def engine(self) -> Engine:
        """What evaluates them."""
        return self._judge.engine

    @property
    def candidate(self) -> RuleSet | None:
        """The rules on trial, if there are any."""
        return None if self._trial is None else self._trial.judge.rule_set

    # -- state ----------------------------------------------------------------------------

    def checkpoint(self) -> bytes:
        """The whole state as JSON; numbers come back from it to the last bit."""
        return _STATE.dump_json(self.state)

    def restore(self, checkpoint: bytes) -> None:
        """Take up a state; its trial goes on once `try_out` is given the same rules again.

        ValueError when it was written by another version of the code.
        """
        state = _STATE.validate_json(checkpoint)
        if state.format != STATE_FORMAT:
            raise ValueError(f"checkpoint has format {state.format}, expected {STATE_FORMAT}")
        state.rules_sha256 = self.rule_set.sha256
        self.state = state
        self._trial = None
        self._intake.state = state.intake

    def use(self, rule_set: RuleSet, engine: Engine, places: Collection[str] | None = None) -> None:
        """Decide by these rules, and accept these places only, from the next cycle on."""
        self._judge = Judge(rule_set, engine)
        self._intake.accept(places)
        self.state.rules_sha256 = rule_set.sha256

    def try_out(self, rule_set: RuleSet, engine: Engine) -> None:
        """Put these rules on trial from the next cycle on; of the same rules the trial goes on."""
        state = self.state.trial
        if state is None or state.rules_sha256 != rule_set.sha256:
            books = {name: place.book for name, place in self.state.places.items()}
            state = self.state.trial = begun(rule_set.sha256, self.state.reached_ms, books)
        self._trial = Trial(Judge(rule_set, engine), state)

    def end_trial(self) -> None:
        """Stop the trial, if there is one; its books are dropped."""
        self._trial = self.state.trial = None

    def resume(self, at_ms: int) -> Outcome:
        """Begin again after a pause in which nothing was watched: silent places get a grace."""
        self.state.reached_ms = max(self.state.reached_ms, self._bin_end(at_ms) - self._cycle_ms)
        for place in self.state.places.values():
            place.due_ms = self.state.reached_ms + GRACE_MS
        return Outcome(reached_ms=self.state.reached_ms, resumed_ms=at_ms)

    # -- cycles ---------------------------------------------------------------------------

    def step(self, arrivals: Sequence[Arrival], until_ms: int) -> Outcome:
        """Work through every cycle that ends at or before `until_ms`.

        `arrivals` are in order of receipt, all received before `until_ms`, which is a whole
        number of cycles.
        """
        outcome = Outcome(reached_ms=self.state.reached_ms)
        at = 0
        while True:
            ends = [place.due_ms for place in self.state.places.values()]
            ends = [self._cycle_ending(due_ms) for due_ms in ends]
            if at < len(arrivals):
                ends.append(self._bin_end(arrivals[at].received_ms))
            end_ms = min(ends, default=until_ms + 1)
            if end_ms > until_ms:
                break
            end_ms = max(end_ms, self.state.reached_ms)
            first = at
            while at < len(arrivals) and arrivals[at].received_ms < end_ms:
                at += 1
            self._cycle(arrivals[first:at], end_ms, outcome)
        self.state.reached_ms = max(self.state.reached_ms, until_ms)
        outcome.reached_ms = self.state.reached_ms
        return outcome

    def finish(self) -> Outcome:
        """Close what is open at the end of a recording."""
        outcome = Outcome(reached_ms=self.state.reached_ms)
        for name, place in sorted(self.state.places.items()):
            self._keep(name, place.bedside.finish(), outcome)
        return outcome

    def _bin_end(self, received_ms: int) -> int:
        return (received_ms // self._cycle_ms + 1) * self._cycle_ms

    def _cycle_ending(self, due_ms: int) -> int:
        return -(-due_ms // self._cycle_ms) * self._cycle_ms

    def _cycle(self, arrivals: Sequence[Arrival], end_ms: int, outcome: Outcome) -> None:
        touched: set[str] = set()
        requests: list[tuple[str, wire.Request]] = []
        for arrival in arrivals:
            self._take(arrival, touched, requests, outcome)
        touched.update(n for n, place in self.state.places.items() if place.due_ms <= end_ms)
        for name in sorted(touched):
            self._look_safely(name, end_ms, outcome)
        for name, request in requests:
            self._answer(name, request, end_ms, outcome)
        self.state.reached_ms = end_ms

    def _take(
        self,
        arrival: Arrival,
        touched: set[str],
        requests: list[tuple[str, wire.Request]],
        outcome: Outcome,
    ) -> None:
        taken = self._intake.take(arrival)
        if isinstance(taken, Repeat):
            outcome.repeats += 1
            return
        if isinstance(taken, Refused):
            outcome.refused.append(taken)
            outcome.outbox.append(outbound.rejected_message(self._instance, taken))
            if taken.ward is not None and taken.place is not None and self._may_open(taken):
                place = self._place(taken.ward, taken.place)
                place.bedside.take_refused(taken)
                touched.add(place.bedside.name)
            return
        outcome.accepted.append(taken)
        bedside = self._place(taken.ward, taken.place).bedside
        self._keep(bedside.name, bedside.take(taken), outcome)
        touched.add(bedside.name)
        if isinstance(taken.message, wire.Request):
            requests.append((bedside.name, taken.message))

    def _may_open(self, refused: Refused) -> bool:
        """A device that only ever sends what cannot be used must still be noticed."""
        return not refused.reason.startswith("topic:")

    def _place(self, ward: str, place: str) -> PlaceState:
        name = f"{ward}/{place}"
        if name not in self.state.places:
            self.state.places[name] = PlaceState(Bedside(ward, place))
        return self.state.places[name]

    def _look_safely(self, name: str, now_ms: int, outcome: Outcome) -> None:
        """A fault at one place must not leave all others unwatched."""
        try:
            self._look(name, now_ms, outcome)
        except Exception as error:
            # The text may hold a patient's facts; its kind is enough to find it in a replay.
            outcome.failed.append((name, type(error).__name__))
            self.state.places[name].due_ms = now_ms + LOOK_EVERY_MS

    def _look(self, name: str, now_ms: int, outcome: Outcome) -> None:
        """Work out facts, rules and advisories of one place."""
        place = self.state.places[name]
        self._keep(name, place.bedside.due(now_ms), outcome)
        place.bedside.forget_old(now_ms)
        facts = self._facts(place.bedside, now_ms, outcome)
        if self._on_look is not None:
            self._on_look(place.bedside, facts, now_ms)
        following = place.book.under_way()
        moment = self._judge.moment(place.bedside.patient, facts, now_ms, following)
        outcome.evaluations += 1

        def write(rule: Rule, at: Moment, onset_ms: int, identity: str) -> Advisory:
            causes = self.rule_set.causes
            return write_advisory(place.bedside, rule, at, onset_ms, identity, causes)

        changes = place.book.move(name, self.rule_set, moment, write)
        self._publish(name, place, changes, now_ms, outcome)
        self._tell_usual(name, place, now_ms, outcome)
        self._schedule(place, now_ms)
        self._try(place.bedside, facts, now_ms, outcome)

    def _schedule(self, place: PlaceState, now_ms: int) -> None:
        """When the place is to be looked at next."""
        waits = (
            place.bedside.paw.assembler.next_due_ms(),
            place.bedside.co2.assembler.next_due_ms(),
            place.book.next_due_ms(self.rule_set),
        )
        place.due_ms = max(
            now_ms + 1,
            min([now_ms + LOOK_EVERY_MS, *(wait for wait in waits if wait is not None)]),
        )

    def moment(self, bedside: Bedside, now_ms: int) -> Moment:
        """What is known at the bedside, and which conditions hold."""
        facts = facts_of(bedside, now_ms, self._judge.wanted)
        return self._judge.moment(bedside.patient, facts, now_ms)

    def _facts(self, bedside: Bedside, now_ms: int, outcome: Outcome) -> FactSet:
        """All that the active rules ask for, and those on trial."""
        if self._trial is not None:
            try:
                return facts_of(bedside, now_ms, self._judge.wanted | self._trial.judge.wanted)
            except Exception as error:
                self._fail_trial(bedside.name, error, outcome)
        return facts_of(bedside, now_ms, self._judge.wanted)

    def _try(self, bedside: Bedside, facts: FactSet, now_ms: int, outcome: Outcome) -> None:
        """Let the rules on trial judge the same facts. Whatever fails there ends the trial only."""
        if self._trial is None:
            return
        try:
            changes = self._trial.look(bedside, facts, now_ms)
            self._keep_trial(bedside.name, changes, outcome)
        except Exception as error:
            self._fail_trial(bedside.name, error, outcome)

    def _tell_trial(self, name: str, request: wire.Request, now_ms: int, outcome: Outcome) -> None:
        if self._trial is None:
            return
        try:
            same = self._trial.acknowledge(name, request.target, request.by, now_ms)
            self._keep_trial(name, same, outcome)
        except Exception as error:
            self._fail_trial(name, error, outcome)

    def _keep_trial(self, name: str, changes: Changes, outcome: Outcome) -> None:
        if self._trial is not None:
            rule_set = self._trial.judge.rule_set
            bodies = [outbound.event_body(name, event, rule_set) for event in changes.events]
            outcome.trial_events.extend(
                (name, event, body) for event, body in zip(changes.events, bodies, strict=True)
            )
            outcome.trial_findings.extend((name, finding) for finding in changes.findings)

    def _fail_trial(self, name: str, error: Exception, outcome: Outcome) -> None:
        # The text may hold a patient's facts; its kind is enough to find it in a replay.
        outcome.trial_failed = f"it failed at {name} ({type(error).__name__})"
        self.end_trial()

    def _answer(self, name: str, request: wire.Request, now_ms: int, outcome: Outcome) -> None:
        place = self.state.places[name]
        result = answer(place.book, request, self.rule_set, now_ms)
        reason = result if isinstance(result, str) else None
        if isinstance(result, Changes):
            self._publish(name, place, result, now_ms, outcome)
            self._schedule(place, now_ms)
            if request.action == "acknowledge":
                self._tell_trial(name, request, now_ms, outcome)
        outcome.outbox.append(
            outbound.reply_message(name, request.id, now_ms, done=reason is None, reason=reason)
        )

    def _publish(
        self, name: str, place: PlaceState, changes: Changes, now_ms: int, outcome: Outcome
    ) -> None:
        outcome.findings.extend((name, finding) for finding in changes.findings)
        for event in changes.events:
            body = outbound.event_body(name, event, self.rule_set)
            outcome.events.append((name, event, body))
            outcome.outbox.append(outbound.advisory_message(name, body))
        outcome.pauses.extend((name, event) for event in changes.pauses)
        if changes.events or changes.pauses:
            message = outbound.standing_message(name, place.book, now_ms, self.rule_set)
            outcome.outbox.append(message)

    def _tell_usual(self, name: str, place: PlaceState, now_ms: int, outcome: Outcome) -> None:
        usual = usual_of(place.bedside)
        if usual != place.usual:
            place.usual = usual
            outcome.outbox.append(usual_message(name, usual, now_ms))

    def _keep(self, name: str, completed: Completed, outcome: Outcome) -> None:
        if not completed:
            return
        outcome.breaths.extend((name, breath, volume) for breath, volume in completed.breaths)
        outcome.co2_breaths.extend((name, breath) for breath in completed.co2_breaths)
        outcome.efforts.extend((name, effort) for effort in completed.efforts)
        outcome.artefacts.extend((name, artefact) for artefact in completed.artefacts)
        outcome.derived.extend(outbound.derived_messages(name, completed))
