"""A card: who it is, what is wrong, the values that matter, and how old all that is."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final, Literal

from rules.priority import Priority
from service.facts.factset import SETTINGS_FRESH_S
from service.glance.seen import OVER_KEPT_MS, Newest, Over, Seen
from service.glance.vitals import (
    MOST,
    OLD_MS,
    UNITS,
    Shown,
    Vital,
    differs,
    direction_of,
    that_matter,
)
from service.instants import from_text

#: Readings come once a second: after this they are late, and after that nothing is known any more.
LATE_MS: Final = 3_000
SILENT_MS: Final = 10_000

#: What rests on these facts alone is about the battery: of two equal ones the animal comes first.
_OF_SUPPLY: Final = ("battery.", "power.", "journey.")
#: What rests on these facts may be that no breath comes: when the last one was longer ago than
#: this, and than so many of its periods.
_OF_BREATHLESSNESS: Final = frozenset({"co2.since_breath", "breath.since", "breath.overdue"})
_BREATHLESS_MS: Final = 15_000.0
_PERIODS: Final = 2.5
_SETTINGS_AGE: Final = "data.settings_age"

#: The service knows no settings: they came too long ago, or breaths come and they never did.
Unjudged = Literal["late", "never"]
Freshness = Literal["fresh", "late", "silent", "never"]


@dataclass(frozen=True, slots=True)
class Standing:
    """An advisory that stands. `since_ms`: from when it was raised, or came back."""

    id: str
    rule: str
    priority: Priority
    title: str
    says: str
    look_at: tuple[str, ...]
    since_ms: int
    acknowledged_by: str | None
    explained_by: str | None
    of_supply: bool

    @property
    def level(self) -> int:
        """How urgent it is; what somebody has acknowledged comes after what nobody has."""
        return 2 * self.priority.rank - int(self.acknowledged_by is not None)


@dataclass(frozen=True, slots=True)
class Card:
    """What is shown of a place. `standing`: highest first, as the service put them. `unjudged`: why
    rules that need the settings cannot judge; `settings_ms`: when those were confirmed last."""

    name: str
    patient: str | None
    species: str | None
    mass_kg: float | None
    phase: str | None
    mode: str | None
    standing: tuple[Standing, ...]
    look: str | None
    shown: tuple[Shown, ...]
    freshness: Freshness
    reading_ms: int | None
    paused_until_ms: int | None
    unjudged: Unjudged | None
    settings_ms: int | None
    over: Over | None

    @property
    def first(self) -> Standing | None:
        """What has to be looked at first."""
        return self.standing[0] if self.standing else None

    @property
    def priority(self) -> Priority | None:
        """Of what stands here, the highest."""
        return max((one.priority for one in self.standing), key=lambda p: p.rank, default=None)

    @property
    def need(self) -> tuple[int, int, int, int, int]:
        """Sorts those first that need somebody first.

        By priority; what nobody has acknowledged before what somebody has; the animal before its
        battery; what has stood longer before what is new. A place of which nothing comes is as
        urgent as one of medium priority: nobody knows how it is.
        """
        blind = self.freshness == "silent"
        level = max((one.level for one in self.standing), default=0)
        supply = not blind and all(one.of_supply for one in self.standing if one.level == level)
        seen = max((one.priority.rank for one in self.standing), default=0)
        since = min((one.since_ms for one in self.standing), default=0)
        return (-max(level, 4 if blind else 0), -int(blind), -seen, int(supply), since)


def card_of(seen: Seen, now_ms: int, most: int = MOST) -> Card:
    """The card of a place at a moment (ms since 1970, by the clock that `seen` was told), with so
    many values at most."""
    patient = seen.patient
    standing = tuple(_standing(body) for body in seen.standing)
    mass = patient.mass.usable if patient is not None and patient.mass is not None else None
    phase = None if patient is None else patient.phase
    return Card(
        name=seen.name,
        patient=None if patient is None else patient.patient,
        species=None if patient is None else patient.species,
        mass_kg=mass,
        phase=phase,
        mode=seen.mode,
        standing=standing,
        look=_look(seen),
        shown=_shown(seen, phase, now_ms, most),
        freshness=freshness(seen.reading_ms, now_ms),
        reading_ms=seen.reading_ms,
        paused_until_ms=None if seen.paused is None else from_text(seen.paused["until"]),
        unjudged=_unjudged(seen, now_ms),
        settings_ms=None if seen.settings is None else seen.settings.received_ms,
        over=_over(seen, now_ms),
    )


def _over(seen: Seen, now_ms: int) -> Over | None:
    """The most urgent of what was over of late, if it was urgent; of several the last."""
    standing = {one["title"] for one in seen.standing}
    lately = [
        one
        for one in seen.over
        if now_ms - one.ended_ms <= OVER_KEPT_MS
        and one.priority is not Priority.LOW
        and one.title not in standing
    ]
    return max(lately, key=lambda one: (one.priority.rank, one.ended_ms), default=None)


def _unjudged(seen: Seen, now_ms: int) -> Unjudged | None:
    """A place where nothing is advised is not well where half of the rules cannot judge."""
    told_ms = seen.breaths_ms if seen.settings is None else seen.settings.received_ms
    if told_ms is None or now_ms - told_ms <= 1000.0 * SETTINGS_FRESH_S:
        return None
    if any(one["fact"] == _SETTINGS_AGE for body in seen.standing for one in body["evidence"]):
        return None  # an advisory says it, and better
    return "never" if seen.settings is None else "late"


def freshness(reading_ms: int | None, now_ms: int) -> Freshness:
    """How old the newest reading is. One from the future is as good as one of now."""
    if reading_ms is None:
        return "never"
    age_ms = now_ms - reading_ms
    if age_ms <= LATE_MS:
        return "fresh"
    return "late" if age_ms <= SILENT_MS else "silent"


def in_order(cards: Iterable[Card], *, fixed: bool = False) -> list[Card]:
    """Those first that need somebody first; or, when `fixed`, by their names."""
    if fixed:
        return sorted(cards, key=lambda card: card.name)
    return sorted(cards, key=lambda card: (card.need, card.name))


def _standing(body: dict[str, Any]) -> Standing:
    facts = [str(one["fact"]) for one in body["evidence"]]
    return Standing(
        id=body["id"],
        rule=body["rule"],
        priority=Priority(body["priority"]),
        title=body["title"],
        says=body["says"],
        look_at=tuple(body["look_at"]),
        since_ms=from_text(body["returned_at"] or body["raised_at"]),
        acknowledged_by=body["acknowledged_by"] if body["state"] == "acknowledged" else None,
        explained_by=body["outranked_by"],
        of_supply=bool(facts) and all(fact.startswith(_OF_SUPPLY) for fact in facts),
    )


def _look(seen: Seen) -> str | None:
    """What one look would settle: of the first problem, else of the first advisory."""
    for problem in seen.problems:
        if problem.get("look"):
            return str(problem["look"])
    look_at = seen.standing[0]["look_at"] if seen.standing else ()
    return str(look_at[0]) if look_at else None


def _shown(seen: Seen, phase: str | None, now_ms: int, most: int) -> tuple[Shown, ...]:
    facts = [str(one["fact"]) for one in seen.standing[0]["evidence"]] if seen.standing else []
    recent = {
        vital: newest
        for vital, newest in seen.newest.items()
        if now_ms - newest.received_ms <= OLD_MS
    }
    breath_ms = _breathless_since(seen, facts, now_ms)
    if Vital.RATE in recent and breath_ms is not None:
        recent[Vital.RATE] = Newest(None, "no-breath", breath_ms)
    return tuple(
        _one(seen, vital, recent[vital], now_ms)
        for vital in that_matter(recent, phase, facts, most)
    )


def _breathless_since(seen: Seen, facts: Iterable[str], now_ms: int) -> int | None:
    """When the last breath was, if what stands first is that none comes, and none has of late.

    What a monitor counts is a mean: beside that it would look like breathing. Slow breaths of a
    reptile are breaths: it is waited for as long as two and a half of the fastest of late took.
    """
    if seen.breath_ms is None or _OF_BREATHLESSNESS.isdisjoint(facts):
        return None
    fastest = max((rate for _, rate in seen.course.get(Vital.RATE, ())), default=0.0)
    waits_ms = _BREATHLESS_MS
    if fastest > 0.0:
        waits_ms = max(waits_ms, _PERIODS * 60_000.0 / fastest)
    return seen.breath_ms if now_ms - seen.breath_ms > waits_ms else None


def _one(seen: Seen, vital: Vital, newest: Newest, now_ms: int) -> Shown:
    course = seen.course.get(vital, ())
    return Shown(
        vital=vital,
        value=newest.value,
        unit=UNITS[vital],
        direction=None if newest.value is None else direction_of(vital, list(course), now_ms),
        status=newest.status,
        received_ms=newest.received_ms,
        usual=_usual(seen, vital, newest.value),
    )


def _usual(seen: Seen, vital: Vital, value: float | None) -> float | None:
    usual = None if seen.usual is None else seen.usual.of(vital.value)
    if value is None or usual is None or not differs(vital, usual, value):
        return None
    return usual
