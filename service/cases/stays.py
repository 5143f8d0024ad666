"""The stays of patients: each is the time for which the same patient was announced at a place."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from rules.limits import PatientContext
from service.messages import Patient
from service.watch import CYCLE_MS


@dataclass(frozen=True, slots=True)
class Lying:
    """A patient in one phase at a place, from one message on until the next (ms since 1970)."""

    patient: Patient
    from_ms: int
    to_ms: int

    @property
    def mass_kg(self) -> float | None:
        """Its mass, where it is known."""
        return None if self.patient.mass is None else self.patient.mass.usable

    @property
    def context(self) -> PatientContext:
        """What limits are chosen by."""
        one = self.patient
        return PatientContext(one.class_, one.species, self.mass_kg, one.phase)


@dataclass(frozen=True, slots=True)
class Stay:
    """One patient at one place, `place` is WARD/PLACE; times in ms since 1970. `ended` is False
    while nobody else has been announced there. `lying` is how it was known, in order."""

    place: str
    patient: str
    lying: tuple[Lying, ...]
    from_ms: int
    to_ms: int
    ended: bool

    @property
    def last(self) -> Lying:
        """How the patient was known last."""
        return self.lying[-1]


def lying_of(told: Iterable[tuple[int, Patient]], to_ms: int) -> list[Lying]:
    """Who lay at a place until `to_ms`, from (received, message) in order; said twice is once."""
    found: list[Lying] = []
    for received_ms, patient in told:
        now = Lying(patient, received_ms, to_ms)
        if found and _who(found[-1]) == _who(now):
            continue
        if found:
            last = found.pop()
            found.append(Lying(last.patient, last.from_ms, received_ms))
        found.append(now)
    return found


def _who(lying: Lying) -> tuple[str, PatientContext]:
    return lying.patient.patient, lying.context


def stays(place: str, lying: Iterable[Lying]) -> list[Stay]:
    """The stays of a place, in order."""
    found: list[Stay] = []
    for one in lying:
        if found and found[-1].patient == one.patient.patient:
            begun = found.pop()
            found.append(_stay(place, (*begun.lying, one)))
            continue
        if found:
            found.append(_ended(found.pop(), one.from_ms))
        found.append(_stay(place, (one,)))
    return found


def _stay(place: str, lying: tuple[Lying, ...]) -> Stay:
    first, last = lying[0], lying[-1]
    return Stay(place, last.patient.patient, lying, first.from_ms, last.to_ms, ended=False)


def _ended(stay: Stay, next_ms: int) -> Stay:
    """What stood is cleared by the cycle in which the next patient was announced: it belongs to
    this one."""
    to_ms = (next_ms // CYCLE_MS + 1) * CYCLE_MS
    return Stay(stay.place, stay.patient, stay.lying, stay.from_ms, to_ms, ended=True)
