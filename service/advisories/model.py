"""Advisories, what happens to them, and what is remembered of each rule: plain data."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

from rules.differential import Weighed
from rules.limits import ResolvedLimit
from rules.model import Rule
from rules.priority import Priority
from service.facts import FactSet

State = Literal["raised", "acknowledged", "cleared"]
EventKind = Literal[
    "raised",
    "acknowledged",
    "reminded",
    "escalated",
    "ended",
    "returned",
    "cleared",
    "outranked",
    "uncovered",
]


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
    """One advisory and its present state. Texts, evidence and the causes weighed
    (`differential`, likeliest first) are those of its latest raising.

    `onset_ms` and `raised_ms` are of the first time, `returned_ms` of the latest return; `times`
    counts how often it was raised. `ended_ms` is set while it stands only because it latches:
    what it tells of is over, and nobody has acknowledged it.
    """

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
    cause: str = ""
    differential: list[Weighed] = field(default_factory=list)
    state: State = "raised"
    acknowledged_by: str | None = None
    acknowledged_ms: int | None = None
    ended_ms: int | None = None
    cleared_ms: int | None = None
    outranked_by: str | None = None
    times: int = 1
    returned_ms: int | None = None
    escalated_ms: int | None = None

    @property
    def intermittent(self) -> bool:
        """Whether it has come, gone and come again."""
        return self.times > 1


@dataclass(frozen=True, slots=True)
class AdvisoryEvent:
    """One change of one advisory: a copy of it as it is from now on.

    `speaks` when it asks for attention now.
    """

    kind: EventKind
    at_ms: int
    advisory: Advisory
    by: str | None = None
    reason: str | None = None
    speaks: bool = False


@dataclass(frozen=True, slots=True)
class Finding:
    """A rule's condition begins or ceases to hold, before any `for`."""

    rule: str
    at_ms: int
    holds: bool


@dataclass(frozen=True, slots=True)
class Pause:
    """Until when new advisories of a place do not speak, who wanted that, and why."""

    by: str
    since_ms: int
    until_ms: int
    reason: str


@dataclass(frozen=True, slots=True)
class PauseEvent:
    """A pause begins or ends. `by` is None when it ended of itself, `reason` says why then."""

    kind: Literal["paused", "resumed"]
    at_ms: int
    by: str | None
    reason: str
    until_ms: int


@dataclass(slots=True)
class Tracked:
    """What is remembered of one rule at one place.

    Since when its condition, its clearing and its escalation hold without a break; its advisory
    while that stands, or for a while (`recent`) after it cleared. `counts_from_ms` is when the
    advisory last spoke or was acknowledged, `unheard` that it wanted to speak and could not.
    """

    holds_since_ms: int | None = None
    clears_since_ms: int | None = None
    escalates_since_ms: int | None = None
    advisory: Advisory | None = None
    recent: Advisory | None = None
    counts_from_ms: int = 0
    unheard: bool = False

    @property
    def is_idle(self) -> bool:
        """Whether nothing is under way: no condition holds, nothing stands or has just cleared."""
        return self.holds_since_ms is None and self.advisory is None and self.recent is None


@dataclass(slots=True)
class Moment:
    """What is known of the place now.

    `conditions` are the keys of those that hold (see `rules.engine.Engine`).
    """

    now_ms: int
    patient: str | None
    facts: FactSet
    limits: Mapping[str, ResolvedLimit]
    conditions: frozenset[str]

    def begun(self) -> set[str]:
        """The rules whose `when` holds."""
        ends = "/when"
        return {key.removesuffix(ends) for key in self.conditions if key.endswith(ends)}


#: Writes the texts and evidence of a new advisory.
Writer = Callable[[Rule, Moment, int, str], Advisory]


@dataclass(slots=True)
class Changes:
    """What one moment, or one request, changed."""

    events: list[AdvisoryEvent] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    pauses: list[PauseEvent] = field(default_factory=list)


def advisory_id(place: str, patient: str | None, rule: str, onset_ms: int) -> str:
    """The same place, patient, rule and onset always give the same id."""
    text = f"{place}|{patient or ''}|{rule}|{onset_ms}"
    return hashlib.sha256(text.encode()).hexdigest()[:16]
