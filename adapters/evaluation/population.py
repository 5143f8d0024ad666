"""The simulated population: case number i of a seed is always the same patient and story."""

from __future__ import annotations

import math
from dataclasses import dataclass
from random import Random
from typing import Any, Final

from adapters.evaluation import benign, faults
from adapters.evaluation.animals import Healthy, healthy
from adapters.evaluation.species import SPECIES

#: This share of the cases has no fault.
HEALTHY_SHARE: Final = 0.15
#: A mended fault shows whether what was said is taken back.
_MENDED_SHARE: Final = 0.3
_MENDED_AFTER_S: Final = (60.0, 90.0)
_LASTS_S: Final = (250.0, 330.0)
#: Nothing goes wrong before this.
_FAULT_FROM_S: Final = (100.0, 150.0)
_FIRST_HAPPENING_S: Final = 20.0
_BETWEEN_S: Final = (15.0, 45.0)
#: The stretch before a fault is left alone, so that a delay is that of the fault.
_QUIET_BEFORE_S: Final = 15.0


@dataclass(frozen=True, slots=True)
class Happening:
    """A benign event: which, from when to when (s)."""

    id: str
    begins_s: float
    ends_s: float
    events: tuple[dict[str, Any], ...]


@dataclass(frozen=True, slots=True)
class FaultInCase:
    """The fault of a case. `ends_s` is when it is mended (s), None when it is not."""

    id: str
    severity: faults.Severity
    begins_s: float
    ends_s: float | None
    plan: faults.Plan


@dataclass(frozen=True, slots=True)
class Sensors:
    """Rates in Hz, blocks and times in s, noise as standard deviations."""

    paw_hz: int
    paw_block_s: float
    co2_hz: int
    co2_block_s: float
    paw_noise_cmh2o: float
    co2_noise_mmhg: float
    co2_rise_10_90_s: float


@dataclass(frozen=True, slots=True)
class Case:
    """One patient and what happens to it."""

    seed: int
    number: int
    lasts_s: float
    animal: Healthy
    sensors: Sensors
    drive_over_mmhg: float
    happenings: tuple[Happening, ...]
    fault: FaultInCase | None

    @property
    def place(self) -> str:
        """The name of its place on the wire."""
        return f"case-{self.number}"


def draw_case(seed: int, number: int) -> Case:
    """Case `number` of the population of `seed`. ValueError for a negative number."""
    if number < 0:
        raise ValueError(f"number: a case number is 0 or more, not {number}")
    random = Random(f"tidewarden-evaluation/{seed}/{number}")
    species = random.choices(SPECIES, [species.weight for species in SPECIES])[0]
    low, high = species.mass_kg
    mass_kg = round(math.exp(random.uniform(math.log(low), math.log(high))), 3)
    animal = healthy(species, mass_kg, random)
    sensors = _sensors(random)
    lasts_s = float(round(random.uniform(*_LASTS_S)))
    drive_over_mmhg = random.uniform(14.0, 30.0)
    fault = None if random.random() < HEALTHY_SHARE else _fault(animal, lasts_s, random)
    if fault is not None:
        lasts_s += faults.BY_ID[fault.id].longer_s
    until_s = lasts_s if fault is None else fault.begins_s - _QUIET_BEFORE_S
    happenings = _happenings(animal, until_s, fault, random)
    return Case(seed, number, lasts_s, animal, sensors, drive_over_mmhg, happenings, fault)


def _sensors(random: Random) -> Sensors:
    paw_hz = random.choices((50, 100, 200), (3, 5, 2))[0]
    co2_hz, co2_block_s = random.choice(((20, 0.25), (20, 0.5), (20, 1.0), (25, 1.0), (50, 0.5)))
    return Sensors(
        paw_hz=paw_hz,
        paw_block_s=random.choice((0.5, 1.0, 1.0, 2.0)),
        co2_hz=co2_hz,
        co2_block_s=co2_block_s,
        paw_noise_cmh2o=round(random.uniform(0.03, 0.15), 3),
        co2_noise_mmhg=round(random.uniform(0.1, 0.4), 2),
        co2_rise_10_90_s=round(random.uniform(0.08, 0.25), 3),
    )


def _fault(animal: Healthy, lasts_s: float, random: Random) -> FaultInCase:
    fault = random.choices(faults.FAULTS, [fault.weight for fault in faults.FAULTS])[0]
    severity = random.choice(fault.severities)
    begins_s = round(random.uniform(*_FAULT_FROM_S), 1)
    plan = fault.plan(faults.Draw(animal, severity, begins_s, random))
    mended = round(begins_s + random.uniform(*_MENDED_AFTER_S), 1)
    mend = bool(plan.mended) and random.random() < _MENDED_SHARE and mended < lasts_s - 45.0
    return FaultInCase(fault.id, severity, begins_s, mended if mend else None, plan)


def _happenings(
    animal: Healthy, until_s: float, fault: FaultInCase | None, random: Random
) -> tuple[Happening, ...]:
    """Happenings one after the other; changes of the lung add up over the case."""
    kinds = [kind for kind in benign.HAPPENINGS if _suits(kind.id, fault)]
    found: list[Happening] = []
    at_s = _FIRST_HAPPENING_S + random.uniform(*_BETWEEN_S) / 2.0
    compliance = 1.0
    while at_s < until_s:
        kind = random.choices(kinds, [kind.weight for kind in kinds])[0]
        events, lasts_s = kind.draw(benign.Setting(animal, round(at_s, 1), random, compliance))
        ends_s = round(at_s + lasts_s, 1)
        if ends_s > until_s:
            break
        for event in events:
            compliance = event["factor"] if event["kind"] == "compliance" else compliance
        found.append(Happening(kind.id, round(at_s, 1), ends_s, events))
        at_s = ends_s + random.uniform(*_BETWEEN_S)
    return tuple(found)


def _suits(happening: str, fault: FaultInCase | None) -> bool:
    """A second stop of the ventilator would be the story of a weaning, not a benign one."""
    return not (happening == "mode-changed" and fault is not None and "weaning" in fault.id)
