"""A healthy animal of a species and mass, set plausibly on its ventilator.

Lung and metabolism lie near the lines of allometry (`service.physiology.allometry`), scattered as
animals are. The team has set target, rate and flow so that CO2 is where they want it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from random import Random
from typing import Final

from adapters.evaluation.species import Species
from adapters.simulator.scenario import CircuitSpec, LungSpec, SettingsSpec
from service.physiology import allometry, mechanics
from service.physiology.gas_exchange import CO2_FACTOR, ML_PER_L

_S_PER_MIN: Final = 60.0
#: Animals of one mass scatter around the line by so much (sd of the logarithm; our choice).
_SCATTER: Final = 0.15
#: Anaesthesia lowers metabolism to this share of rest, from-to (common practice, no source).
_METABOLISM: Final = (0.65, 0.9)
_RESPIRATORY_QUOTIENT: Final = 0.8
#: What the team aims at, in mmHg. In reptiles CO2 lies low at the rates in use.
_TARGET_CO2: Final = {"mammal": (33.0, 42.0), "bird": (30.0, 40.0), "reptile": (12.0, 22.0)}
#: Reptiles are kept warm, and use more oxygen than the line says (our choice).
_REPTILE_UPTAKE: Final = 1.6
#: Tidal volumes in use, mL/kg (from memory: 8-12 in small mammals, 10-20 in birds, 15-30 in
#: reptiles), and the pressures over PEEP that the team keeps to, cmH2O.
_VOLUME_ML_PER_KG: Final = {"mammal": (8.0, 14.0), "bird": (11.0, 18.0), "reptile": (14.0, 22.0)}
_DRIVING_CMH2O: Final = (5.5, 12.0)
#: Against a mammal of the mass: softer chest, larger lung, wider dead space (our choice, after the
#: long and wide trachea of birds and the large simple lung of reptiles).
_COMPLIANCE: Final = {"mammal": 1.0, "bird": 1.2, "reptile": 1.3}
_RESIDUAL: Final = {"mammal": 0.8, "bird": 2.0, "reptile": 2.5}
_DEAD_SPACE: Final = {"mammal": 1.2, "bird": 1.3, "reptile": 1.5}
#: Gas mixes a little along the way, so that the dead space counts for so much more.
MIXING: Final = 1.2
#: A tube that fits narrows the airway to this many times its resistance, from-to.
_TUBE: Final = (1.3, 2.5)
#: The resistive step is a small part of the target in a healthy patient.
_STEP_SHARE: Final = 0.12
#: Rates in use, per minute (reptiles 4-8 on a secondary page, often less).
_RATE_PER_MIN: Final = {"mammal": (6.0, 110.0), "bird": (6.0, 60.0), "reptile": (2.5, 9.0)}
#: Inspiration is this share of a breath, and never shorter than a valve can be (s).
_DUTY: Final = (0.25, 0.38)
_SHORTEST_TI_S: Final = 0.15
#: The set expiratory time lets the lung empty: so many time constants at least.
_TIME_CONSTANTS: Final = 5.0
_PEEP_CMH2O: Final = (0.0, 0.0, 0.0, 2.0)


@dataclass(frozen=True, slots=True)
class Healthy:
    """A healthy animal with its ventilator. Gas in mL/min, pulse in 1/min."""

    species: Species
    mass_kg: float
    settings: SettingsSpec
    circuit: CircuitSpec
    lung: LungSpec
    co2_output: float
    oxygen_uptake: float
    pulse: float
    temperature_c: float
    own_rate: float


def healthy(species: Species, mass_kg: float, random: Random) -> Healthy:
    """Draw one. Two draws from equal generators are equal."""
    circuit = _circuit(mass_kg, random)
    lung = _lung(species, mass_kg, random)
    uptake = _uptake(species, mass_kg, random)
    output = uptake * _RESPIRATORY_QUOTIENT
    settings, lung = _set_up(species, mass_kg, (lung, circuit), output, random)
    return Healthy(
        species=species,
        mass_kg=mass_kg,
        settings=settings,
        circuit=circuit,
        lung=lung,
        co2_output=output,
        oxygen_uptake=uptake,
        pulse=_pulse(species, mass_kg, random),
        temperature_c=round(random.uniform(*species.temperature_c), 1),
        own_rate=_own_rate(species, mass_kg, random),
    )


def expected_volume_ml(
    settings: SettingsSpec, circuit: CircuitSpec, lung: LungSpec
) -> tuple[float, float]:
    """What a healthy breath takes at these settings: volume into the lung (mL), and Ti (s)."""
    flow = settings.fresh_gas_flow_ml_per_min / _S_PER_MIN
    compartment = mechanics.Lung(lung.compliance_ml_per_cmh2o, lung.resistance_cmh2o_s_per_l)
    inflation = mechanics.Inflation(
        flow,
        settings.pip_target_cmh2o,
        settings.peep_cmh2o,
        circuit.compliance_ml_per_cmh2o,
        circuit.leak_ml_per_s_per_cmh2o,
    )
    volume = mechanics.inflation_volume_ml(compartment, inflation)
    return volume, mechanics.inflation_time_s(compartment, inflation)


def _scattered(line: float, random: Random) -> float:
    return line * math.exp(random.gauss(0.0, _SCATTER))


def _circuit(mass_kg: float, random: Random) -> CircuitSpec:
    # Short narrow hoses for small animals; valves with a low resistance to them.
    compliance = 0.06 * mass_kg**0.45 * random.uniform(0.8, 1.5)
    return CircuitSpec(
        compliance_ml_per_cmh2o=compliance,
        valve_resistance_cmh2o_s_per_l=random.uniform(3.0, 8.0) * mass_kg**-0.4,
        leak_ml_per_s_per_cmh2o=0.0,
    )


def _lung(species: Species, mass_kg: float, random: Random) -> LungSpec:
    line, kind = allometry.mammal(mass_kg), species.class_
    dead_space = _scattered(line.dead_space_ml * _DEAD_SPACE[kind], random)
    residual = _scattered(line.functional_residual_capacity_ml * _RESIDUAL[kind], random)
    return LungSpec(
        compliance_ml_per_cmh2o=_scattered(
            line.compliance_ml_per_cmh2o * _COMPLIANCE[kind], random
        ),
        resistance_cmh2o_s_per_l=_scattered(line.resistance_cmh2o_s_per_l, random)
        * random.uniform(*_TUBE),
        dead_space_ml=dead_space,
        residual_ml=max(residual, 2.0 * dead_space),
    )


def _uptake(species: Species, mass_kg: float, random: Random) -> float:
    if species.class_ == "reptile":
        line = _REPTILE_UPTAKE * allometry.reptile_oxygen_uptake_ml_per_min(mass_kg)
    else:
        line = allometry.mammal(mass_kg).oxygen_uptake_ml_per_min
    return line * random.uniform(*_METABOLISM)


def _pulse(species: Species, mass_kg: float, random: Random) -> float:
    if species.class_ == "reptile":
        return random.uniform(25.0, 50.0)
    line = (
        allometry.mammal(mass_kg).heart_rate_per_min
        if species.class_ == "mammal"
        else allometry.bird_heart_rate_per_min(mass_kg)
    )
    return line * random.uniform(0.65, 1.0)


def _own_rate(species: Species, mass_kg: float, random: Random) -> float:
    if species.class_ == "reptile":
        return random.uniform(2.0, 5.0)
    return allometry.mammal(mass_kg).rate_per_min * random.uniform(0.5, 0.8)


def _driving(species: Species, mass_kg: float, lung: LungSpec, random: Random) -> float:
    """The pressure over PEEP for the volume that the team wants."""
    volume = mass_kg * random.uniform(*_VOLUME_ML_PER_KG[species.class_])
    lowest, highest = _DRIVING_CMH2O
    wanted = max(volume, 2.2 * lung.dead_space_ml) / lung.compliance_ml_per_cmh2o
    return min(highest, max(lowest, wanted))


def _set_up(
    species: Species,
    mass_kg: float,
    parts: tuple[LungSpec, CircuitSpec],
    output: float,
    random: Random,
) -> tuple[SettingsSpec, LungSpec]:
    """Target, rate and flow as the team finds them; and a lung whose tube is wide enough."""
    kind, (lung, circuit) = species.class_, parts
    peep = random.choice(_PEEP_CMH2O)
    target = round(peep + _driving(species, mass_kg, lung, random), 1)
    duty = random.uniform(*_DUTY)
    wanted_co2 = random.uniform(*_TARGET_CO2[kind])
    driving = target - peep
    volume = lung.compliance_ml_per_cmh2o * driving * (1.0 - _STEP_SHARE / 2.0)
    dead_space = MIXING * lung.dead_space_ml
    # The rate that holds PACO2 at what is wanted: PACO2 = 0.863 VCO2/VA.
    alveolar = CO2_FACTOR * ML_PER_L * output / wanted_co2
    slowest, fastest = _RATE_PER_MIN[kind]
    rate = min(fastest, max(slowest, alveolar / (volume - dead_space)))
    period = _S_PER_MIN / rate
    ti_s = max(_SHORTEST_TI_S, min(duty * period, 1.5))
    flow = (volume + circuit.compliance_ml_per_cmh2o * driving) / ti_s
    widest = _STEP_SHARE * driving / flow * ML_PER_L
    lung = lung.model_copy(
        update={"resistance_cmh2o_s_per_l": min(lung.resistance_cmh2o_s_per_l, widest)}
    )
    time_constant = (
        lung.compliance_ml_per_cmh2o
        * (lung.resistance_cmh2o_s_per_l + circuit.valve_resistance_cmh2o_s_per_l)
        / ML_PER_L
    )
    settings = SettingsSpec(
        pip_target_cmh2o=target,
        te_set_s=period - ti_s,
        fresh_gas_flow_ml_per_min=float(round(flow * _S_PER_MIN)),
        peep_cmh2o=peep,
    )
    # With what a breath really takes, the pause that gives the wanted CO2.
    volume, ti_s = expected_volume_ml(settings, circuit, lung)
    period = _S_PER_MIN / min(fastest, max(slowest, alveolar / (volume - dead_space)))
    te_s = max(period - ti_s, _TIME_CONSTANTS * time_constant, 0.2)
    return settings.model_copy(update={"te_set_s": round(te_s, 2)}), lung
