"""What each look at the animal of a scenario sees: a moment of facts, whatever brought them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

from rules.engine.guard import FactValue
from service.facts import FactSet
from service.known import PatientInfo
from service.rehearsal.scenario import Animal, Facts, Scenario

#: Every scenario begins at this moment (ms since 1970): 2026-01-01T00:00:00Z.
START_MS: Final = 1_767_225_600_000
PATIENT: Final = "the animal of the scenario"
_NOT_GIVEN: Final = "the scenario does not give it"


@dataclass(frozen=True, slots=True)
class Look:
    """What is known at `now_ms` (ms since 1970)."""

    now_ms: int
    patient: PatientInfo | None
    facts: FactSet

    @property
    def at_s(self) -> float:
        """Seconds since the scenario began."""
        return seconds(self.now_ms)

    def again(self, now_ms: int) -> Look:
        """The same, still so a little later."""
        return replace(self, now_ms=now_ms)


def seconds(at_ms: int) -> float:
    """Seconds since the scenario began."""
    return (at_ms - START_MS) / 1000.0


def instant(at_s: float) -> int:
    """ms since 1970 of a time of the scenario."""
    return START_MS + round(1000.0 * at_s)


def looks_at(scenario: Scenario, timeline: Facts, wanted: frozenset[str]) -> Iterator[Look]:
    """A look whenever a fact changes or somebody asks for something, and one at the end."""
    times = {0.0, scenario.lasts_s, *(one.at_s for one in scenario.asked)}
    for series in timeline.series.values():
        times.update(series.turns())
    for at_s in sorted(at_s for at_s in times if at_s <= scenario.lasts_s):
        values = {name: series.at(at_s) for name, series in timeline.series.items()}
        patient = _patient(scenario.animal, values)
        known = {name: value for name, value in values.items() if value is not None}
        known.update(_who(patient))
        unknown = dict.fromkeys(wanted - known.keys(), _NOT_GIVEN)
        yield Look(instant(at_s), patient, FactSet(known, unknown))


def _patient(animal: Animal, values: dict[str, FactValue | None]) -> PatientInfo:
    """Who lies there: what the facts say of the patient goes before what the scenario says."""
    mass = values.get("patient.mass", animal.mass_kg)
    return PatientInfo(
        patient=PATIENT,
        species=str(values.get("patient.species", animal.species)),
        class_=str(values.get("patient.class", animal.class_)),
        mass_kg=mass if isinstance(mass, float) else None,
        phase=str(values.get("patient.phase", animal.phase)),
        reference="",
    )


def _who(patient: PatientInfo) -> dict[str, FactValue]:
    facts: dict[str, FactValue] = {
        "patient.class": patient.class_,
        "patient.species": patient.species,
        "patient.phase": patient.phase,
    }
    if patient.mass_kg is not None:
        facts["patient.mass"] = patient.mass_kg
    return facts
