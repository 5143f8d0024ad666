"""The stays of patients: each is the time for which the same patient was announced at a place."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from adapters.pages.past.bounds import Lying
from service.watch import CYCLE_MS


@dataclass(frozen=True, slots=True)
class Stay:
    """One patient at one place, `place` is WARD/PLACE; times in ms since 1970. `ended` is False
    while nobody else has been announced there. `last` says how the patient was known last."""

    place: str
    patient: str
    last: Lying
    from_ms: int
    to_ms: int
    ended: bool


def stays(place: str, lying: Iterable[Lying]) -> list[Stay]:
    """The stays of a place, in order."""
    found: list[Stay] = []
    for one in lying:
        if found and found[-1].patient == one.patient.patient:
            begun = found.pop()
            found.append(_stay(place, one, begun.from_ms))
            continue
        if found:
            found.append(_ended(found.pop(), one.from_ms))
        found.append(_stay(place, one, one.from_ms))
    return found


def _stay(place: str, one: Lying, from_ms: int) -> Stay:
    return Stay(place, one.patient.patient, one, from_ms, one.to_ms, ended=False)


def _ended(stay: Stay, next_ms: int) -> Stay:
    """What stood is cleared by the cycle in which the next patient was announced: it belongs to
    this one."""
    to_ms = (next_ms // CYCLE_MS + 1) * CYCLE_MS
    return Stay(stay.place, stay.patient, stay.last, stay.from_ms, to_ms, ended=True)
