"""A scenario: the places of a simulated ward, their animals, and what happens to them.

Written in YAML, units in the names. `load_scenario` reads it, `builtin_scenario_text` gives the
text of one that comes with Tidewarden.
"""

from __future__ import annotations

from importlib import resources
from typing import Annotated, Literal

from pydantic import Field, ValidationError, field_validator, model_validator
from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError

from adapters.simulator.events import (
    Event,
    Mode,
    NotNegative,
    Phase,
    Positive,
    Spec,
    Supply,
)
from service.physiology.oxygen import BLOOD, p50_by_mass_mmhg

#: All simulated time is whole milliseconds; gas is moved in steps of this many.
GAS_STEP_MS = 5
_MAX_ERRORS = 5

Name = Annotated[str, Field(min_length=1, max_length=80)]
TopicPart = Annotated[str, Field(pattern=r"^[A-Za-z0-9_.~-]{1,64}$")]
Share = Annotated[float, Field(gt=0.0, le=1.0)]


class ScenarioError(ValueError):
    """A scenario that cannot be read; the text says where and why."""


class PatientSpec(Spec):
    """The animal. `name` is what the wire calls `patient`."""

    name: Name
    species: Name
    class_: Literal["mammal", "bird", "reptile", "amphibian"] = Field(alias="class")
    mass_kg: Positive
    phase: Phase = "maintenance"


class SettingsSpec(Spec):
    """The ventilator as it is set at the start."""

    mode: Mode = "controlled"
    pip_target_cmh2o: Positive
    te_set_s: Positive
    fresh_gas_flow_ml_per_min: Positive
    peep_cmh2o: NotNegative = 0.0

    @model_validator(mode="after")
    def _target_over_peep(self) -> SettingsSpec:
        if self.pip_target_cmh2o <= self.peep_cmh2o:
            raise ValueError("pip_target_cmh2o must be over peep_cmh2o")
        return self


class CircuitSpec(Spec):
    """T-piece: compliance of tubes and gas, the open valve's resistance, leak, relief valve."""

    compliance_ml_per_cmh2o: Positive
    valve_resistance_cmh2o_s_per_l: Positive = 5.0
    leak_ml_per_s_per_cmh2o: NotNegative = 0.0
    relief_cmh2o: Positive = 30.0


class LungSpec(Spec):
    """One compartment. Resistance is that of tube and airway.

    `residual_ml` is the resting volume at atmospheric pressure, dead space included.
    """

    compliance_ml_per_cmh2o: Positive
    resistance_cmh2o_s_per_l: Positive
    dead_space_ml: Positive
    residual_ml: Positive

    @model_validator(mode="after")
    def _room(self) -> LungSpec:
        if self.residual_ml <= self.dead_space_ml:
            raise ValueError("residual_ml must be over dead_space_ml, which it holds")
        return self


class GasSpec(Spec):
    """Gas exchange. Without `p50_mmhg` the species' is taken, or that of a mammal of its size.

    The CO2 stores are those that a few minutes reach; mixed blood lies `co2_gradient_mmhg` over
    mean alveolar gas.
    """

    co2_output_ml_per_min: Positive
    oxygen_uptake_ml_per_min: Positive
    inspired_oxygen: Share = 1.0
    p50_mmhg: Positive | None = None
    co2_store_ml_per_mmhg_per_kg: Positive = 0.85
    co2_gradient_mmhg: Positive = 6.0


class DriveSpec(Spec):
    """Own breathing: none while blood CO2 is under the threshold."""

    co2_threshold_mmhg: Positive
    rate_per_min: Positive
    effort_cmh2o: Positive


class MonitorSpec(Spec):
    """Sensors: rates, blocks, lags, noise (standard deviations) and the plain vital signs."""

    paw_hz: Annotated[int, Field(ge=25, le=500)] = 100
    paw_block_s: Annotated[float, Field(ge=0.25, le=2.0)] = 1.0
    co2_hz: Annotated[int, Field(ge=5, le=200)] = 25
    co2_block_s: Annotated[float, Field(ge=0.25, le=2.0)] = 1.0
    paw_noise_cmh2o: NotNegative = 0.07
    co2_noise_mmhg: NotNegative = 0.2
    co2_rise_10_90_s: Positive = 0.15
    #: How long expired gas stays at the sensor when nothing moves.
    co2_hold_s: Positive = 4.0
    spo2_delay_s: NotNegative = 6.0
    spo2_average_s: Positive = 8.0
    pulse_rate_per_min: Positive
    temperature_c: Annotated[float, Field(ge=0.0, le=50.0)]

    @field_validator("paw_hz", "co2_hz")
    @classmethod
    def _whole_milliseconds(cls, rate: int) -> int:
        if 1000 % rate:
            raise ValueError(f"{rate} Hz: samples must be whole milliseconds apart")
        return rate

    @model_validator(mode="after")
    def _whole_blocks(self) -> MonitorSpec:
        for rate, block in ((self.paw_hz, self.paw_block_s), (self.co2_hz, self.co2_block_s)):
            if (rate * block) % 1.0:
                raise ValueError(f"a block of {block:g} s is no whole number of {rate} Hz samples")
        return self


class PowerSpec(Spec):
    """Supply and battery of the ventilator."""

    supply: Supply = "mains"
    charge_percent: Annotated[float, Field(ge=0.0, le=100.0)] = 96.0
    capacity_ah: Positive = 2.2
    nominal_v: Positive = 11.1
    draw_w: Positive = 6.5


class OnsetSpec(Spec):
    """When an expectation begins: at a time, or when a breath first passes a share of the start.

    `share` is over the settled value before the start, so it holds while settings stand still.
    """

    at_s: NotNegative | None = None
    measure: Literal["volume", "ti"] | None = None
    below_share: Positive | None = None
    above_share: Positive | None = None

    @model_validator(mode="after")
    def _one_way(self) -> OnsetSpec:
        shares = [share for share in (self.below_share, self.above_share) if share is not None]
        by_breath = self.measure is not None and len(shares) == 1 and self.at_s is None
        by_time = self.at_s is not None and self.measure is None and not shares
        if not (by_breath or by_time):
            raise ValueError("onset: give at_s, or measure with below_share or above_share")
        return self

    def passed(self, ratio: float) -> bool:
        """Whether a breath at `ratio` of the start has passed the share."""
        if self.below_share is not None:
            return ratio < self.below_share
        return self.above_share is not None and ratio > self.above_share


class ExpectSpec(Spec):
    """What the advice should be: a rule at a priority within a time of the onset."""

    what: Name
    rule: Name
    priority: Literal["high", "medium", "low"]
    within_s: Positive
    onset: OnsetSpec


class PlaceSpec(Spec):
    """One place: a patient, a ventilator with its monitor, and what happens."""

    place: TopicPart
    device: Name
    patient: PatientSpec
    settings: SettingsSpec
    circuit: CircuitSpec
    lung: LungSpec
    gas: GasSpec
    drive: DriveSpec
    monitor: MonitorSpec
    power: PowerSpec = PowerSpec()
    events: tuple[Event, ...] = Field(default=(), strict=False)
    expects: tuple[ExpectSpec, ...] = Field(default=(), strict=False)

    @model_validator(mode="after")
    def _target_under_relief(self) -> PlaceSpec:
        if self.settings.pip_target_cmh2o >= self.circuit.relief_cmh2o:
            raise ValueError("settings.pip_target_cmh2o must be under circuit.relief_cmh2o")
        return self

    @property
    def p50_mmhg(self) -> float:
        """P50 of the animal's blood: as given, by species, or by size."""
        if self.gas.p50_mmhg is not None:
            return self.gas.p50_mmhg
        blood = BLOOD.get(self.patient.species)
        return p50_by_mass_mmhg(self.patient.mass_kg) if blood is None else blood.p50_mmhg


class Scenario(Spec):
    """A ward with its places, and how long the story lasts."""

    scenario: Name
    title: Name
    ward: TopicPart
    duration_s: Positive
    places: tuple[PlaceSpec, ...] = Field(min_length=1, strict=False)

    @model_validator(mode="after")
    def _distinct(self) -> Scenario:
        for what in ("place", "device"):
            names = [getattr(place, what) for place in self.places]
            twice = sorted({name for name in names if names.count(name) > 1})
            if twice:
                raise ValueError(f"places: {what} {twice[0]!r} stands twice")
        return self


def load_scenario(text: str) -> Scenario:
    """The scenario in YAML `text`; ScenarioError says where it is wrong and why."""
    try:
        data = YAML(typ="safe", pure=True).load(text)
    except YAMLError as error:
        raise ScenarioError(f"scenario is not YAML: {error}") from None
    try:
        return Scenario.model_validate(data)
    except ValidationError as error:
        raise ScenarioError(_in_words(error)) from None


def _in_words(error: ValidationError) -> str:
    lines = []
    for problem in error.errors(include_url=False, include_context=False)[:_MAX_ERRORS]:
        where = ".".join(str(part) for part in problem["loc"])
        what = problem["msg"].removeprefix("Value error, ")
        lines.append(f"{where}: {what}" if where else what)
    left = error.error_count() - len(lines)
    return "scenario: " + "; ".join(lines) + (f"; and {left} more" if left else "")


def builtin_scenario_text(name: str = "coastal-wildlife-hospital") -> str:
    """The YAML text of a scenario that comes with Tidewarden; ScenarioError lists them."""
    folder = resources.files("adapters.simulator")
    known = {
        item.name.removesuffix(".yaml"): item
        for item in folder.iterdir()
        if item.name.endswith(".yaml")
    }
    if name not in known:
        raise ScenarioError(f"no scenario {name!r}; there is {', '.join(sorted(known))}")
    return known[name].read_text(encoding="utf-8")
