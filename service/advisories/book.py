"""All advisories of one place, moved from moment to moment and by what people ask."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field, replace

from rules.model import RuleSet
from rules.priority import Priority
from rules.wording import duration
from service.advisories import life, pausing, timing
from service.advisories.life import Asks, Step
from service.advisories.model import (
    Advisory,
    AdvisoryEvent,
    Changes,
    EventKind,
    Moment,
    Pause,
    Tracked,
    Writer,
)
from service.advisories.order import explained_by, in_order


@dataclass(slots=True)
class Book:
    """All advisories of one place, by rule, and its pause while there is one.

    Of a rule that is idle nothing is tracked.
    """

    tracked: dict[str, Tracked] = field(default_factory=dict)
    patient: str | None = None
    pause: Pause | None = None

    def standing(self) -> list[Advisory]:
        """What stands, highest first: by priority, what is explained after what explains it."""
        return in_order(advisory for _, advisory in self._standing())

    def under_way(self) -> Collection[str]:
        """The rules of which something is going on: how they go on has to be known."""
        return self.tracked.keys()

    def move(self, place: str, rule_set: RuleSet, moment: Moment, write: Writer) -> Changes:
        """Bring every rule of the place to this moment, which knows how those under way go on.

        Events come in this order, each kind by name of rule: ended or cleared; outranked or
        uncovered; raised, returned or escalated; reminded.
        """
        changes, now_ms = Changes(), moment.now_ms
        if self.pause is not None and now_ms >= self.pause.until_ms:
            self._end_pause(now_ms, None, "its time is over", changes)
        self._meet(moment, changes)
        self._clear_others(rule_set, now_ms, changes)
        asking: list[Asks] = []
        for rule_id in sorted(self.tracked.keys() | moment.begun()):
            tracked = self.tracked.setdefault(rule_id, Tracked())
            asks = Step(place, rule_set.rule(rule_id), tracked, moment, write).take(changes)
            if asks is not None:
                asking.append(asks)
            if tracked.is_idle:
                del self.tracked[rule_id]
        # By name, also what the steps before have said.
        changes.events.sort(key=lambda event: event.advisory.rule)
        changes.findings.sort(key=lambda finding: finding.rule)
        fresh = {asks.advisory.id for asks in asking}
        self._outrank(rule_set, now_ms, fresh, changes)
        for asks in asking:
            speaks = asks.advisory.state == "raised" and self._is_heard(asks.advisory)
            self._tell(asks, now_ms, changes, speaks=speaks)
        for asks in self._reminders(rule_set, now_ms):
            self._tell(asks, now_ms, changes, speaks=True)
        return changes

    def acknowledge(self, target: str | None, by: str, now_ms: int) -> Changes | str:
        """Acknowledge the standing advisory with this id; otherwise says why that cannot be."""
        for tracked, advisory in self._standing():
            if advisory.id == target:
                if advisory.state == "acknowledged":
                    return f"already acknowledged by {advisory.acknowledged_by}"
                return life.acknowledge(tracked, advisory, by, now_ms)
        return f"no advisory with id {target!r} stands at this place"

    def begin_pause(
        self, by: str, minutes: float | None, reason: str | None, now_ms: int
    ) -> Changes | str:
        """Pause the place; otherwise says why that cannot be."""
        pause = pausing.begin(self.pause, by=by, minutes=minutes, reason=reason, now_ms=now_ms)
        if isinstance(pause, str):
            return pause
        self.pause = pause
        return Changes(pauses=[pausing.begun(pause)])

    def end_pause(
        self, by: str, reason: str | None, rule_set: RuleSet, now_ms: int
    ) -> Changes | str:
        """End the pause before its time: what could not speak speaks now."""
        if self.pause is None:
            return "this place is not paused"
        changes = Changes()
        self._end_pause(now_ms, by, reason or "resumed", changes)
        for asks in self._reminders(rule_set, now_ms):
            self._tell(asks, now_ms, changes, speaks=True)
        return changes

    def next_due_ms(self, rule_set: RuleSet) -> int | None:
        """When something happens next by the mere passing of time."""
        due = [] if self.pause is None else [self.pause.until_ms]
        for rule_id, tracked in self.tracked.items():
            rule = rule_set.by_id.get(rule_id)
            if rule is not None:
                at_ms = timing.due_ms(rule, tracked, paused=self.pause is not None)
                due.extend([] if at_ms is None else [at_ms])
        return min(due, default=None)

    def _standing(self) -> Iterator[tuple[Tracked, Advisory]]:
        found = [(rule, t) for rule, t in self.tracked.items() if t.advisory is not None]
        for _, tracked in sorted(found, key=lambda item: item[0]):
            if tracked.advisory is not None:
                yield tracked, tracked.advisory

    def _meet(self, moment: Moment, changes: Changes) -> None:
        """What was said of one patient says nothing of the next."""
        if moment.patient == self.patient:
            return
        if self.patient is not None:
            reason = "another patient is at this place"
            for tracked in self.tracked.values():
                life.clear(tracked, moment.now_ms, reason, changes)
            self.tracked.clear()
            self._end_pause(moment.now_ms, None, reason, changes)
        self.patient = moment.patient

    def _clear_others(self, rule_set: RuleSet, now_ms: int, changes: Changes) -> None:
        """A service started with other rules takes up the state of the old ones."""
        for rule_id in self.tracked.keys() - rule_set.by_id.keys():
            reason = "its rule is not in the rule set any more"
            life.clear(self.tracked.pop(rule_id), now_ms, reason, changes)

    def _outrank(self, rule_set: RuleSet, now_ms: int, fresh: set[str], changes: Changes) -> None:
        """Say which standing advisory explains which; one that is fresh says so itself."""
        standing = list(self._standing())
        above = explained_by([advisory for _, advisory in standing], rule_set)
        for tracked, advisory in standing:
            now_by = above.get(advisory.id)
            if now_by == advisory.outranked_by:
                continue
            advisory.outranked_by = now_by
            if advisory.id in fresh:
                continue
            kind: EventKind = "outranked" if now_by else "uncovered"
            asks = Asks(kind, tracked, advisory)
            free = now_by is None and advisory.state == "raised"
            if now_by is None:
                tracked.counts_from_ms = now_ms
            # One that is about to be over says nothing, unless it turns out that it is not.
            lasts = free and tracked.clears_since_ms is None
            self._tell(asks, now_ms, changes, speaks=lasts and self._is_heard(advisory))

    def _is_heard(self, advisory: Advisory) -> bool:
        """Whether it would be heard if it spoke."""
        heard = self.pause is None or advisory.priority is Priority.HIGH
        return heard and advisory.outranked_by is None

    def _tell(self, asks: Asks, now_ms: int, changes: Changes, *, speaks: bool) -> None:
        tracked, advisory = asks.tracked, asks.advisory
        if speaks:
            tracked.counts_from_ms, tracked.unheard = now_ms, False
        elif asks.kind != "outranked" and advisory.state == "raised":
            tracked.unheard = True
        changes.events.append(
            AdvisoryEvent(asks.kind, now_ms, replace(advisory), reason=asks.reason, speaks=speaks)
        )

    def _reminders(self, rule_set: RuleSet, now_ms: int) -> Iterator[Asks]:
        """What is to speak now: what could not when it was due, and reminders.

        None of what is outranked; while the place is paused only what a pause does not quiet.
        """
        for tracked, advisory in self._standing():
            if advisory.outranked_by is not None:
                continue
            if tracked.unheard:
                if tracked.clears_since_ms is None and self._is_heard(advisory):
                    yield Asks("reminded", tracked, advisory, "it could not speak before")
                continue
            due_ms = timing.reminder_ms(rule_set.rule(advisory.rule), tracked)
            if self.pause is None and due_ms is not None and now_ms >= due_ms:
                yield Asks("reminded", tracked, advisory, _still(advisory, now_ms))

    def _end_pause(self, now_ms: int, by: str | None, reason: str, changes: Changes) -> None:
        if self.pause is not None:
            changes.pauses.append(pausing.ended(self.pause, now_ms, by, reason))
            self.pause = None


def _still(advisory: Advisory, now_ms: int) -> str:
    """`still there after 5 min, not acknowledged`."""
    since_ms = advisory.returned_ms or advisory.raised_ms
    after = duration((now_ms - since_ms) / 1000.0)
    if advisory.ended_ms is not None:
        return f"over, and after {after} still not acknowledged"
    if advisory.acknowledged_by is None:
        return f"still there after {after}, not acknowledged"
    return f"still there after {after}, acknowledged by {advisory.acknowledged_by}"
