"""What really happens in a simulated case, followed five times a second, beside the messages."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Final

from adapters.evaluation.animals import expected_volume_ml
from adapters.evaluation.case import START_MS, WARD, place_of
from adapters.evaluation.population import Case
from adapters.simulator.animal import Animal
from adapters.simulator.device import Sent
from adapters.simulator.place import SimulatedPlace
from adapters.simulator.scenario import PlaceSpec, SettingsSpec
from adapters.simulator.truth import TrueBreath
from adapters.simulator.ventilator import Ventilator

STEP_MS: Final = 200
_MS_PER_S: Final = 1000.0
_S_PER_MIN: Final = 60.0
#: A breath that moves less than this share of the dead space brings no gas to the lung.
_PASSES: Final = 1.0
#: The last breaths that all must show something, so that one odd breath does not.
_BREATHS: Final = 3
_NO_CO2_MMHG: Final = 5.0


@dataclass(frozen=True, slots=True)
class Instant:
    """The place at one moment. Shares 0 to 1; times in s; ratios over healthy at these settings.

    Of breaths the value is the mildest of the last three.
    """

    t_s: float
    controlled: bool
    volume_ratio: float
    leak_share: float
    since_inflation_periods: float
    over_target_cmh2o: float
    step_rise_cmh2o: float
    trapped_cmh2o: float
    leak_over_flow: float
    open_to_room: bool
    occluded: bool
    exhalation_blocked: bool
    since_breath_s: float
    since_co2_s: float
    arterial_co2_mmhg: float
    inspired_co2_mmhg: float
    dilution: float
    perfusion: float
    saturation: float
    temperature_c: float
    fresh_gas_factor: float
    battery_minutes: float


@dataclass(frozen=True, slots=True)
class Told:
    """A simulated case: all messages, and what was true beside."""

    sent: list[Sent]
    instants: list[Instant]
    period_s: float


@dataclass(slots=True)
class _Breaths:
    """Breaths of a place as they are completed, each against what a healthy one would be."""

    spec: PlaceSpec
    seen: int = 0
    ratios: deque[float] = field(default_factory=lambda: deque(maxlen=_BREATHS))
    leaks: deque[float] = field(default_factory=lambda: deque(maxlen=_BREATHS))
    over: deque[float] = field(default_factory=lambda: deque(maxlen=_BREATHS))
    inflated_s: float = 0.0
    breathed_s: float = 0.0
    expected: dict[SettingsSpec, tuple[float, float]] = field(default_factory=dict)

    def healthy(self, settings: SettingsSpec) -> tuple[float, float]:
        """Volume (mL) and Ti (s) of a healthy breath at these settings."""
        if settings not in self.expected:
            spec = self.spec
            self.expected[settings] = expected_volume_ml(settings, spec.circuit, spec.lung)
        return self.expected[settings]

    def follow(self, ventilator: Ventilator) -> None:
        """Take in what was completed since the last time."""
        for breath in ventilator.breaths[self.seen :]:
            self._take(breath, ventilator.settings)
        self.seen = len(ventilator.breaths)

    def _take(self, breath: TrueBreath, settings: SettingsSpec) -> None:
        begun_s = breath.start_ms / _MS_PER_S
        if breath.lung_volume_ml >= _PASSES * self.spec.lung.dead_space_ml:
            self.breathed_s = begun_s
        if breath.kind != "controlled":
            return
        self.inflated_s = begun_s
        volume, _ = self.healthy(settings)
        self.ratios.append(breath.lung_volume_ml / volume)
        self.over.append(breath.pip_cmh2o - settings.pip_target_cmh2o)
        swallowed = self.spec.circuit.compliance_ml_per_cmh2o * (
            breath.pip_cmh2o - breath.baseline_cmh2o
        )
        if breath.delivered_ml > 0.0:
            stayed = (breath.lung_volume_ml + swallowed) / breath.delivered_ml
            self.leaks.append(max(0.0, 1.0 - stayed))


def simulate(case: Case) -> Told:
    """Run the case. Times of the instants are s from its start."""
    spec = place_of(case)
    place = SimulatedPlace(spec, WARD, START_MS, case.seed)
    breaths = _Breaths(spec)
    told = Told([], [], _period_s(spec.settings, breaths))
    follower = _Follower(case, spec, place, breaths)
    for now_ms in range(0, round(case.lasts_s * _MS_PER_S) + 1, STEP_MS):
        told.sent.extend(place.advance(now_ms))
        told.instants.append(follower.instant(now_ms / _MS_PER_S))
    return told


def _period_s(settings: SettingsSpec, breaths: _Breaths) -> float:
    return breaths.healthy(settings)[1] + settings.te_set_s


@dataclass(slots=True)
class _Follower:
    case: Case
    spec: PlaceSpec
    place: SimulatedPlace
    breaths: _Breaths
    co2_s: float = 0.0
    elastic: deque[tuple[float, float]] = field(default_factory=deque)

    def instant(self, t_s: float) -> Instant:
        animal, breaths = self.place.animal, self.breaths
        ventilator, gas, monitor = animal.ventilator, animal.gas, animal.monitor
        breaths.follow(ventilator)
        settings = ventilator.settings
        period_s = _period_s(settings, breaths)
        since_s = t_s - breaths.inflated_s
        flow = settings.fresh_gas_flow_ml_per_min / _S_PER_MIN * ventilator.fresh_gas_factor
        if (1.0 - monitor.dilution) * gas.sensor_co2 >= _NO_CO2_MMHG:
            self.co2_s = t_s
        controlled = settings.mode == "controlled" and not ventilator.off
        stopped = controlled and since_s > _BREATHS * period_s
        return Instant(
            t_s=t_s,
            controlled=controlled,
            volume_ratio=0.0 if stopped else max(breaths.ratios, default=1.0),
            leak_share=min(breaths.leaks, default=0.0),
            since_inflation_periods=since_s / period_s if controlled else 0.0,
            over_target_cmh2o=self._over_target(animal),
            step_rise_cmh2o=self._step_rise(ventilator, flow),
            trapped_cmh2o=self._trapped(t_s, ventilator, period_s),
            leak_over_flow=ventilator.leak * settings.pip_target_cmh2o / max(flow, 1e-9),
            open_to_room=ventilator.open_to_room,
            occluded=ventilator.occluded,
            exhalation_blocked=ventilator.exhalation_blocked,
            since_breath_s=t_s - breaths.breathed_s,
            since_co2_s=t_s - self.co2_s,
            arterial_co2_mmhg=gas.blood_co2 - self.spec.gas.co2_gradient_mmhg,
            inspired_co2_mmhg=gas.inspired_co2,
            dilution=monitor.dilution,
            perfusion=gas.perfusion,
            saturation=gas.saturation,
            temperature_c=monitor.temperature_c,
            fresh_gas_factor=ventilator.fresh_gas_factor,
            battery_minutes=self.place.battery.minutes_left,
        )

    def _over_target(self, animal: Animal) -> float:
        ventilator = animal.ventilator
        now = ventilator.airway_cmh2o - ventilator.settings.pip_target_cmh2o
        return max(now, min(self.breaths.over, default=0.0))

    def _step_rise(self, ventilator: Ventilator, flow: float) -> float:
        rise = ventilator.resistance_factor - 1.0
        return rise * self.spec.lung.resistance_cmh2o_s_per_l / _MS_PER_S * flow

    def _trapped(self, t_s: float, ventilator: Ventilator, period_s: float) -> float:
        """The least elastic pressure of the last breath and a bit, over PEEP."""
        self.elastic.append((t_s, ventilator.elastic_cmh2o))
        while self.elastic[0][0] < t_s - 1.3 * period_s - 0.5:
            self.elastic.popleft()
        return min(value for _, value in self.elastic) - ventilator.settings.peep_cmh2o
