"""The life of an advisory: raised when a rule has held for long enough, acknowledged, cleared.

An unknown fact never clears anything: an advisory stands until its clearing condition is known to
hold. What a standing advisory explains is shown under it, and is never reported as cleared.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

from rules.limits import ResolvedLimit
from rules.model import Rule, RuleSet
from rules.priority import Priority
from service.facts import FactSet

State = Literal["raised", "acknowledged", "cleared"]
EventKind = Literal["raised", "acknowledged", "cleared", "outranked", "uncovered"]


@dataclass(slots=True)
class Evidence:
    """One clause as it stood when the advisory was raised, and the messages it rests on.

    `quality` is how well the fact could be read, from 0 to 1; None where nothing stood against it.
    """

    clause: str
    fact: str
    value: float | bool | str | None
    unit: str
    limit: str | None
    limit_value: float | bool | str | None
    readings: list[str]
    quality: float | None = None


@dataclass(slots=True)
class Advisory:
    """One advisory and its present state. Texts and evidence are those of the raising."""

    id: str
    rule: str
    priority: Priority
    onset_ms: int
    raised_ms: int
    patient: str | None
    title: str
    says: str
    because: str
    look_at: list[str]
    source: str
    confidence: str
    caution: str
    clears_when: str
    uncertainty: list[str]
    evidence: list[Evidence]
    state: State = "raised"
    acknowledged_by: str | None = None
    acknowledged_ms: int | None = None
    cleared_ms: int | None = None
    outranked_by: str | None = None


@dataclass(frozen=True, slots=True)
class AdvisoryEvent:
    """One change of one advisory: a copy of it as it is from now on."""

    kind: EventKind
    at_ms: int
    advisory: Advisory
    by: str | None = None
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """A rule's condition begins or ceases to hold, before any `for`."""

    rule: str
    at_ms: int
    holds: bool


@dataclass(slots=True)
class Tracked:
    """How long a rule has held or its clearing has, and its advisory while that stands."""

    holds_since_ms: int | None = None
    clears_since_ms: int | None = None
    advisory: Advisory | None = None


@dataclass(slots=True)
class Moment:
    """What is known of the place now."""

    now_ms: int
    patient: str | None
    facts: FactSet
    limits: Mapping[str, ResolvedLimit]
    conditions: frozenset[str]


#: Writes the texts and evidence of a new advisory.
Writer = Callable[[Rule, Moment, int, str], Advisory]


@dataclass(slots=True)
class Changes:
    """What one moment changed."""

    events: list[AdvisoryEvent] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)


@dataclass(slots=True)
class Book:
    """All advisories of one place."""

    tracked: dict[str, Tracked] = field(default_factory=dict)
    patient: str | None = None

    def standing(self) -> list[Advisory]:
        """What stands, highest first: by priority, what is explained after what explains it."""
        found = [t.advisory for t in self.tracked.values() if t.advisory is not None]
        return sorted(
            found, key=lambda a: (a.outranked_by is not None, -a.priority.rank, a.onset_ms, a.rule)
        )

    def move(self, place: str, rule_set: RuleSet, moment: Moment, write: Writer) -> Changes:
        """Bring every rule of the place to this moment."""
        changes = Changes()
        raised: list[Advisory] = []
        if moment.patient != self.patient:
            if self.patient is not None:
                self._clear_all(moment.now_ms, "another patient is at this place", changes)
            self.patient = moment.patient
        self._clear_others(rule_set, moment.now_ms, changes)
        for rule in rule_set.rules:
            tracked = self.tracked.setdefault(rule.id, Tracked())
            if tracked.advisory is None:
                if _begins(rule, tracked, moment, changes):
                    onset_ms = tracked.holds_since_ms or moment.now_ms
                    identity = advisory_id(place, moment.patient, rule.id, onset_ms)
                    tracked.advisory = write(rule, moment, onset_ms, identity)
                    raised.append(tracked.advisory)
            else:
                reason = _ends(rule, tracked, moment, changes)
                if reason is not None:
                    _clear(tracked, moment.now_ms, reason, changes)
        self._outrank(rule_set, moment.now_ms, raised, changes)
        changes.events.extend(
            AdvisoryEvent("raised", moment.now_ms, replace(advisory)) for advisory in raised
        )
        return changes

    def acknowledge(self, target: str | None, by: str, now_ms: int) -> AdvisoryEvent | str:
        """Acknowledge the standing advisory with this id; otherwise says why that cannot be."""
        for tracked in self.tracked.values():
            advisory = tracked.advisory
            if advisory is None or advisory.id != target:
                continue
            if advisory.state == "acknowledged":
                return f"already acknowledged by {advisory.acknowledged_by}"
            advisory.state = "acknowledged"
            advisory.acknowledged_by, advisory.acknowledged_ms = by, now_ms
            return AdvisoryEvent("acknowledged", now_ms, replace(advisory), by=by)
        return f"no advisory with id {target!r} stands at this place"

    def next_due_ms(self, rule_set: RuleSet) -> int | None:
        """When the next rule will have held, or its clearing will have, for long enough."""
        due: list[int] = []
        for rule in rule_set.rules:
            tracked = self.tracked.get(rule.id)
            if tracked is None:
                continue
            if tracked.advisory is None and tracked.holds_since_ms is not None:
                due.append(tracked.holds_since_ms + round(1000 * rule.for_s))
            elif tracked.clears_since_ms is not None:
                due.append(tracked.clears_since_ms + round(1000 * rule.clears_for_s))
        return min(due, default=None)

    def _clear_all(self, now_ms: int, reason: str, changes: Changes) -> None:
        for tracked in self.tracked.values():
            if tracked.advisory is not None:
                _clear(tracked, now_ms, reason, changes)
            tracked.holds_since_ms = None

    def _clear_others(self, rule_set: RuleSet, now_ms: int, changes: Changes) -> None:
        """A service started with other rules takes up the state of the old ones."""
        for rule_id in sorted(self.tracked.keys() - {rule.id for rule in rule_set.rules}):
            reason = "its rule is not in the rule set any more"
            _clear(self.tracked.pop(rule_id), now_ms, reason, changes)

    def _outrank(
        self, rule_set: RuleSet, now_ms: int, raised: list[Advisory], changes: Changes
    ) -> None:
        """Say which standing advisory explains which; depends on what stands, not on its order."""
        standing = {
            rule: tracked.advisory
            for rule, tracked in sorted(self.tracked.items())
            if tracked.advisory is not None
        }
        new = {advisory.id for advisory in raised}
        for rule_id, advisory in standing.items():
            above = [
                other
                for other_id, other in standing.items()
                if rule_id in rule_set.rule(other_id).outranks
            ]
            best = min(above, key=lambda a: (-a.priority.rank, a.onset_ms, a.rule), default=None)
            now_by = best.id if best is not None else None
            if now_by == advisory.outranked_by:
                continue
            advisory.outranked_by = now_by
            if advisory.id not in new:
                kind: EventKind = "outranked" if now_by else "uncovered"
                changes.events.append(AdvisoryEvent(kind, now_ms, replace(advisory)))


def advisory_id(place: str, patient: str | None, rule: str, onset_ms: int) -> str:
    """The same place, patient, rule and onset always give the same id."""
    text = f"{place}|{patient or ''}|{rule}|{onset_ms}"
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _begins(rule: Rule, tracked: Tracked, moment: Moment, changes: Changes) -> bool:
    """Whether the rule has now held for long enough."""
    holds = f"{rule.id}/when" in moment.conditions
    if not holds:
        if tracked.holds_since_ms is not None:
            changes.findings.append(Finding(rule.id, moment.now_ms, holds=False))
        tracked.holds_since_ms = None
        return False
    if tracked.holds_since_ms is None:
        tracked.holds_since_ms = moment.now_ms
        changes.findings.append(Finding(rule.id, moment.now_ms, holds=True))
    return moment.now_ms - tracked.holds_since_ms >= round(1000 * rule.for_s)


def _ends(rule: Rule, tracked: Tracked, moment: Moment, changes: Changes) -> str | None:
    """Why the advisory is over, if it is."""
    if rule.only_in and f"{rule.id}/in_scope" not in moment.conditions:
        return "does not apply any more: " + _scope_now(rule, moment)
    if f"{rule.id}/clears" not in moment.conditions:
        tracked.clears_since_ms = None
        return None
    if tracked.clears_since_ms is None:
        tracked.clears_since_ms = moment.now_ms
    if moment.now_ms - tracked.clears_since_ms >= round(1000 * rule.clears_for_s):
        return "the condition has ended"
    return None


def _scope_now(rule: Rule, moment: Moment) -> str:
    facts = {"mode": "settings.mode", "phase": "patient.phase", "class": "patient.class"}
    names = (f"{key} is {moment.facts.values.get(facts[key], 'unknown')}" for key in rule.only_in)
    return ", ".join(names)


def _clear(tracked: Tracked, now_ms: int, reason: str, changes: Changes) -> None:
    advisory = tracked.advisory
    if advisory is None:
        return
    cleared = replace(advisory, state="cleared", cleared_ms=now_ms)
    changes.events.append(AdvisoryEvent("cleared", now_ms, cleared, reason=reason))
    changes.findings.append(Finding(advisory.rule, now_ms, holds=False))
    tracked.advisory = tracked.holds_since_ms = tracked.clears_since_ms = None
