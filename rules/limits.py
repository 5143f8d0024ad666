"""Limits: dated numbers with a source each, chosen by species, class, mass and phase.

Of the entries that fit a patient the most specific wins: one that names the species, then the
kind (raptor), then the class, then a mass band, then a phase, then one without conditions. Of two
equally specific ones a site's own goes first, then the later `since`.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from rules.vocabulary.species import names_of

_PLURALS: Final[Mapping[str, str]] = {
    "mammal": "mammals",
    "bird": "birds",
    "reptile": "reptiles",
    "amphibian": "amphibians",
}
EVERY_PATIENT: Final = "every patient"


class Confidence(StrEnum):
    """How well a value or a rule is supported."""

    PUBLISHED = "published"
    COMMON_PRACTICE = "common practice"
    MEMORY = "memory"


@dataclass(frozen=True, slots=True)
class Source:
    """Where a value or a rule comes from."""

    ref: str
    confidence: Confidence


@dataclass(frozen=True, slots=True)
class Approval:
    """Who at a site approved its own value, on what day, and why."""

    by: str
    on: datetime.date
    why: str


@dataclass(frozen=True, slots=True)
class PatientContext:
    """What limits are chosen by; None where it is not known. Mass in kg."""

    class_: str | None = None
    species: str | None = None
    mass_kg: float | None = None
    phase: str | None = None


@dataclass(frozen=True, slots=True)
class Where:
    """For which patients an entry holds. `mass_kg` is (low included, high excluded)."""

    species: str | None = None
    class_: str | None = None
    mass_kg: tuple[float, float] | None = None
    phase: str | None = None
    words: str = EVERY_PATIENT

    @property
    def specificity(self) -> tuple[bool, bool, bool, bool]:
        """Greater is more specific."""
        return (
            self.species is not None,
            self.class_ is not None,
            self.mass_kg is not None,
            self.phase is not None,
        )

    def matches(self, patient: PatientContext) -> bool:
        """Whether this patient is meant. A patient of unknown class is only ever `everyone`."""
        if patient.class_ is None:
            return not any(self.specificity)
        return (
            (self.species is None or self.species.casefold() in names_of(patient.species))
            and (self.class_ is None or self.class_ == patient.class_)
            and (self.mass_kg is None or _within(patient.mass_kg, self.mass_kg))
            and (self.phase is None or self.phase == patient.phase)
        )

    def overlaps(self, other: Where) -> bool:
        """Whether both name the same things and some patient fits both."""
        if self.specificity != other.specificity:
            return False
        return (
            (self.species or "").casefold() == (other.species or "").casefold()
            and self.class_ == other.class_
            and self.phase == other.phase
            and _bands_meet(self.mass_kg, other.mass_kg)
        )


@dataclass(frozen=True, slots=True)
class LimitEntry:
    """One value of a limit, in the limit's unit; `value` None and `absent` says why.

    `approved` and `level` mark a site's own value. Of equally specific ones that of the greater
    level goes first: 0 is the rule set that all build on, 1 a site's own, 2 one built on that.
    """

    value: float | None
    absent: str | None
    where: Where
    since: datetime.date
    source: Source
    approved: Approval | None = None
    level: int = 0

    def conflicts_with(self, other: LimitEntry) -> bool:
        """Whether nothing decides between the two for some patient."""
        same_rank = (self.since, self.level) == (other.since, other.level)
        return same_rank and self.where.overlaps(other.where)


@dataclass(frozen=True, slots=True)
class Limit:
    """A limit: its name, what it means, its UCUM unit and its entries."""

    name: str
    meaning: str
    unit: str
    entries: tuple[LimitEntry, ...]


@dataclass(frozen=True, slots=True)
class ResolvedLimit:
    """A limit as it holds for one patient. `value` is in `unit`; None when `absent` says why.

    `where` says in words for whom the chosen entry is written; `note` warns of a fallback.
    """

    name: str
    value: float | None
    unit: str
    absent: str | None = None
    source: Source | None = None
    since: datetime.date | None = None
    where: str = EVERY_PATIENT
    note: str | None = None
    approved: Approval | None = None


@dataclass(frozen=True, slots=True)
class LimitTable:
    """All limits of a rule set, by name."""

    limits: Mapping[str, Limit] = field(default_factory=dict)

    def candidates(self, name: str, context: PatientContext) -> list[LimitEntry]:
        """The entries of a limit that fit this patient, the one that counts first."""
        fitting = [e for e in self.limits[name].entries if e.where.matches(context)]
        return sorted(fitting, key=lambda entry: _precedence(entry, context), reverse=True)

    def resolve(self, context: PatientContext) -> Mapping[str, ResolvedLimit]:
        """Every limit as it holds for this patient. Never raises: a gap is an absent limit."""
        return {name: _resolve(limit, context) for name, limit in self.limits.items()}


def _resolve(limit: Limit, patient: PatientContext) -> ResolvedLimit:
    fitting = [entry for entry in limit.entries if entry.where.matches(patient)]
    if not fitting:
        return ResolvedLimit(limit.name, None, limit.unit, absent=_gap(limit, patient))
    best = max(fitting, key=lambda entry: _precedence(entry, patient))
    return ResolvedLimit(
        name=limit.name,
        value=best.value,
        unit=limit.unit,
        absent=best.absent,
        source=best.source,
        since=best.since,
        where=best.where.words,
        note=_fallback_note(limit, best, patient),
        approved=best.approved,
    )


def _precedence(
    entry: LimitEntry, patient: PatientContext
) -> tuple[bool, tuple[bool, bool, bool, bool], int, datetime.date]:
    """Greater goes first: the species itself before its kind, the more specific, a site's own,
    the later."""
    where = entry.where
    own_name = where.species is not None and [where.species.casefold()] == list(
        names_of(patient.species)[:1]
    )
    return own_name, where.specificity, entry.level, entry.since


def _fallback_note(limit: Limit, best: LimitEntry, patient: PatientContext) -> str | None:
    named = [entry for entry in limit.entries if entry.where.species is not None]
    if not named or patient.species is None or best.where.class_ is None:
        return None
    if best.where.species is not None:
        return None
    whom = _PLURALS.get(best.where.class_, best.where.class_)
    return f"no value of its own for {patient.species}: the value for {whom} is used"


def _gap(limit: Limit, patient: PatientContext) -> str:
    if not limit.entries:
        return "no value is given"
    if patient.class_ is None:
        return "the class of the animal is not known"
    if any(entry.where.class_ in (None, patient.class_) for entry in limit.entries):
        return "no value fits the species, mass and phase of this patient"
    return f"no value is given for {_PLURALS.get(patient.class_, patient.class_)}"


def describe(where: Where, mass_words: str | None = None) -> str:
    """For whom an entry holds, in words; `mass_words` as the author wrote the band."""
    whom = where.species or (_PLURALS.get(where.class_, where.class_) if where.class_ else None)
    parts = [part for part in (whom, mass_words, where.phase) if part]
    return ", ".join(parts) or EVERY_PATIENT


def _within(mass_kg: float | None, band: tuple[float, float]) -> bool:
    return mass_kg is not None and band[0] <= mass_kg < band[1]


def _bands_meet(one: tuple[float, float] | None, other: tuple[float, float] | None) -> bool:
    if one is None or other is None:
        return one is other
    return one[0] < other[1] and other[0] < one[1]
