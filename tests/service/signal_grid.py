"""A grid of simulated airway pressures with their truth: species, mass, settings, noise, sampling.

The lung and the T-piece are those of the simulator (1 ms steps, exact between events). What a
sensor makes of them is added here: offset, drift, noise, heartbeat, whole steps of a converter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from random import Random
from typing import Final

from adapters.simulator.scenario import CircuitSpec, LungSpec, SettingsSpec
from adapters.simulator.truth import TrueBreath
from adapters.simulator.ventilator import Ventilator
from service.physiology import allometry

RATES_HZ: Final = (25, 50, 100, 125, 200, 250, 500)
CLASSES: Final = ("mammal", "bird", "reptile")
#: What the target does for the volume: class, mL/kg per cmH2O beside a mammal's line, and rates.
_COMPLIANCE: Final = {"mammal": 1.0, "bird": 1.2, "reptile": 2.0}
_RATE_PER_MIN: Final = {"mammal": (8.0, 90.0), "bird": (8.0, 60.0), "reptile": (2.0, 12.0)}
#: Rates outside of what a class usually gets, so that the whole range is covered.
_ANY_RATE_PER_MIN: Final = (2.0, 150.0)
_SETTLING_BREATHS: Final = 4
_BREATHS: Final = 9
_LEAST_S: Final = 12.0


@dataclass(frozen=True)
class Case:
    """One animal at one ventilator under one sensor."""

    number: int
    class_: str
    mass_kg: float
    rate_hz: int
    compliance_ml_per_cmh2o: float
    resistance_cmh2o_s_per_l: float
    circuit_ml_per_cmh2o: float
    valve_cmh2o_s_per_l: float
    flow_ml_per_s: float
    pip_cmh2o: float
    peep_cmh2o: float
    te_s: float
    noise_cmh2o: float
    heartbeat_cmh2o: float
    drift_cmh2o_per_min: float
    offset_cmh2o: float
    converter_cmh2o: float
    leak_ml_per_s_per_cmh2o: float = 0.0

    @property
    def expected_ti_s(self) -> float:
        """Ti without resistance."""
        total = self.compliance_ml_per_cmh2o + self.circuit_ml_per_cmh2o
        return total * (self.pip_cmh2o - self.peep_cmh2o) / self.flow_ml_per_s


@dataclass(frozen=True)
class Change:
    """What happens `at_s`: factors over the healthy lung, or new settings."""

    at_s: float
    compliance: float = 1.0
    resistance: float = 1.0
    leak_ml_per_s_per_cmh2o: float = 0.0
    disconnected: bool = False
    occluded: bool = False
    exhalation_blocked: bool = False
    flow_factor: float = 1.0
    pip_cmh2o: float | None = None
    te_s: float | None = None


@dataclass
class Signal:
    """What the sensor gave, and what was true; times in s from the first sample."""

    case: Case
    samples: list[tuple[float, float | None]]
    breaths: list[TrueBreath] = field(default_factory=list)

    def truth(self, from_s: float = 3.5, before_end_s: float = 0.3) -> list[TrueBreath]:
        """Inflations that begin and end well within the samples."""
        end_ms = 1000.0 * (self.samples[-1][0] - before_end_s)
        return [
            breath
            for breath in self.breaths
            if breath.start_ms >= 1000.0 * from_s and breath.start_ms + 1000 * breath.ti_s < end_ms
        ]


def case(number: int) -> Case:
    """The case of that number; always the same."""
    random = Random(f"grid/{number}")
    class_ = CLASSES[number % len(CLASSES)]
    mass_kg = 0.03 * (10.0 / 0.03) ** random.random()
    line = allometry.mammal(mass_kg)
    compliance = line.compliance_ml_per_cmh2o * _COMPLIANCE[class_] * random.lognormvariate(0, 0.2)
    step_share = 0.4 * random.random() ** 1.5
    valve_tau_s = random.uniform(0.01, 0.06)
    peep = random.choice((0.0, 0.0, random.uniform(1.0, 5.0)))
    pip = peep + 3.0 + 12.0 * random.random() ** 1.3
    if number % 20 == 0:
        pip = random.uniform(20.0, 45.0)
    low, high = _ANY_RATE_PER_MIN if number % 6 == 0 else _RATE_PER_MIN[class_]
    period_s = 60.0 / (low * (high / low) ** random.random())
    ti_s = min(1.8, max(0.12, period_s * random.uniform(0.15, 0.45)))
    circuit = max(0.03, compliance * random.uniform(0.05, 0.5))
    # What the resistance takes of the height belongs to the flow that gives this Ti.
    flow = (1.0 - step_share) * (compliance + circuit) * (pip - peep) / ti_s
    resistance = max(0.5, 1000.0 * step_share * (pip - peep) / flow)
    # Fresh gas flows out through the open valve too: it must not hold pressure up.
    valve = 1000.0 * min(valve_tau_s / (compliance + circuit), 0.5 / flow)
    return Case(
        number=number,
        class_=class_,
        mass_kg=mass_kg,
        rate_hz=RATES_HZ[number // 3 % len(RATES_HZ)],
        compliance_ml_per_cmh2o=compliance,
        resistance_cmh2o_s_per_l=resistance,
        circuit_ml_per_cmh2o=circuit,
        valve_cmh2o_s_per_l=valve,
        flow_ml_per_s=flow,
        pip_cmh2o=pip,
        peep_cmh2o=peep,
        te_s=max(0.2, period_s - ti_s),
        noise_cmh2o=random.choice((0.0, 0.01, 0.02, 0.05)),
        heartbeat_cmh2o=random.choice((0.0, 0.02, 0.04)),
        drift_cmh2o_per_min=random.choice((0.0, random.uniform(-1.0, 1.0))),
        offset_cmh2o=random.choice((0.0, random.uniform(-1.0, 1.0))),
        converter_cmh2o=random.choice((0.0, 0.01, 0.1)),
    )


def ventilator(case: Case, begin_ms: int) -> Ventilator:
    """The simulated ventilator and lung of a case."""
    return Ventilator(
        SettingsSpec(
            pip_target_cmh2o=case.pip_cmh2o,
            te_set_s=case.te_s,
            fresh_gas_flow_ml_per_min=60.0 * case.flow_ml_per_s,
            peep_cmh2o=case.peep_cmh2o,
        ),
        CircuitSpec(
            compliance_ml_per_cmh2o=case.circuit_ml_per_cmh2o,
            valve_resistance_cmh2o_s_per_l=case.valve_cmh2o_s_per_l,
            leak_ml_per_s_per_cmh2o=case.leak_ml_per_s_per_cmh2o,
            relief_cmh2o=60.0,
        ),
        LungSpec(
            compliance_ml_per_cmh2o=case.compliance_ml_per_cmh2o,
            resistance_cmh2o_s_per_l=case.resistance_cmh2o_s_per_l,
            dead_space_ml=0.1,
            residual_ml=1.0,
        ),
        begin_ms,
    )


def signal(case: Case, changes: tuple[Change, ...] = (), duration_s: float | None = None) -> Signal:
    """The sensor's samples of a case, from settled breathing on, with changes on the way."""
    period_s = case.expected_ti_s + case.te_s
    settle_ms = round(1000.0 * _SETTLING_BREATHS * period_s)
    if duration_s is None:
        duration_s = 3.5 + max(_LEAST_S, _BREATHS * period_s)
    machine = ventilator(case, -settle_ms)
    machine.run(0)
    machine.breaths.clear()
    sensor = _Sensor(case)
    samples: list[tuple[float, float | None]] = []
    waiting = sorted(changes, key=lambda change: change.at_s)
    step_ms = 1000 // case.rate_hz
    for at_ms in range(0, round(1000.0 * duration_s), step_ms):
        while waiting and 1000.0 * waiting[0].at_s <= at_ms:
            apply(waiting.pop(0), machine, case)
        machine.run(at_ms)
        samples.append((at_ms / 1000.0, sensor.read(at_ms / 1000.0, machine.airway_cmh2o)))
    machine.run(round(1000.0 * duration_s + 4000.0 * period_s))
    return Signal(case, samples, list(machine.breaths))


def apply(change: Change, machine: Ventilator, case: Case) -> None:
    """Let a change happen to the simulated ventilator."""
    machine.compliance_factor = change.compliance
    machine.resistance_factor = change.resistance
    machine.leak = case.leak_ml_per_s_per_cmh2o + change.leak_ml_per_s_per_cmh2o
    machine.disconnected = change.disconnected
    machine.occluded = change.occluded
    machine.exhalation_blocked = change.exhalation_blocked
    machine.refresh()
    settings = {
        "fresh_gas_flow_ml_per_min": 60.0 * case.flow_ml_per_s * change.flow_factor,
        "pip_target_cmh2o": change.pip_cmh2o or case.pip_cmh2o,
        "te_set_s": change.te_s or case.te_s,
    }
    machine.change(machine.settings.model_copy(update=settings))


class _Sensor:
    def __init__(self, case: Case) -> None:
        self._case = case
        self._random = Random(f"sensor/{case.number}")
        self._beat = 2.0 * math.pi * allometry.mammal(case.mass_kg).heart_rate_per_min / 60.0

    def read(self, t_s: float, pressure_cmh2o: float) -> float:
        case = self._case
        value = pressure_cmh2o + case.offset_cmh2o + case.drift_cmh2o_per_min * t_s / 60.0
        value += case.heartbeat_cmh2o * math.sin(self._beat * t_s)
        if case.noise_cmh2o:
            value += self._random.gauss(0.0, case.noise_cmh2o)
        if case.converter_cmh2o:
            value = round(value / case.converter_cmh2o) * case.converter_cmh2o
        return value


def quiet(case: Case) -> Case:
    """The same case under a perfect sensor."""
    return replace(
        case,
        noise_cmh2o=0.0,
        heartbeat_cmh2o=0.0,
        drift_cmh2o_per_min=0.0,
        offset_cmh2o=0.0,
        converter_cmh2o=0.0,
    )
