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
from adapters.simulator.ventilator import Ventilator

STEP_MS: Final = 200
_MS_PER_S: Final = 1000.0
_S_PER_MIN: Final = 60.0
#: The last breaths that all must show something, so that one odd breath does not.
_BREATHS: Final = 3
_NO_CO2_MMHG: Final = 5.0
#: Pressure is released when it is under this share of the way from PEEP to the target.
_RELEASED: Final = 0.35
_NARROW_CMH2O: Final = 3.0


@dataclass(frozen=True, slots=True)
class Instant:
    """The place at one moment. Shares 0 to 1; times in s; ratios over healthy at these settings.

    `lasting_volume_ratio` is the mildest of the last three breaths, `volume_ratio` the last one.
    """

    t_s: float
    controlled: bool
    volume_ratio: float
    lasting_volume_ratio: float
    leak_share: float
    since_inflation_periods: float
    over_target_cmh2o: float
    step_rise_cmh2o: float
    trapped_cmh2o: float
    leak_over_flow: float
    open_to_room: bool
    closed: bool
    since_release_s: float
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
    breathing: bool


@dataclass(frozen=True, slots=True)
class Told:
    """A simulated case: all messages, and what was true beside."""

    sent: list[Sent]
    instants: list[Instant]
    period_s: float


@dataclass(slots=True)
class _Follower:
    """Looks at a place again and again, and remembers what it must."""

    spec: PlaceSpec
    place: SimulatedPlace
    expected: dict[SettingsSpec, tuple[float, float]] = field(default_factory=dict)
    number: int | None = None
    ratios: deque[float] = field(default_factory=lambda: deque(maxlen=_BREATHS))
    inflated_s: float = 0.0
    lowest_ml: float = 0.0
    breathed_s: float = 0.0
    co2_s: float = 0.0
    released_s: float = 0.0
    elastic: deque[tuple[float, float]] = field(default_factory=deque)

    def healthy(self, settings: SettingsSpec) -> tuple[float, float]:
        """Volume (mL) and Ti (s) of a healthy breath at these settings."""
        if settings not in self.expected:
            spec = self.spec
            self.expected[settings] = expected_volume_ml(settings, spec.circuit, spec.lung)
        return self.expected[settings]

    def period_s(self, settings: SettingsSpec) -> float:
        """From one healthy breath to the next at these settings."""
        return self.healthy(settings)[1] + settings.te_set_s

    def instant(self, t_s: float) -> Instant:
        animal = self.place.animal
        ventilator, gas, monitor = animal.ventilator, animal.gas, animal.monitor
        settings = ventilator.settings
        self._follow(t_s, animal)
        period_s, since_s = self.period_s(settings), t_s - self.inflated_s
        flow = settings.fresh_gas_flow_ml_per_min / _S_PER_MIN * ventilator.fresh_gas_factor
        controlled = settings.mode == "controlled" and not ventilator.off
        stopped = controlled and since_s > _BREATHS * period_s
        leak_at_target = ventilator.leak * settings.pip_target_cmh2o / max(flow, 1e-9)
        return Instant(
            t_s=t_s,
            controlled=controlled,
            volume_ratio=0.0 if stopped else self.ratios[-1] if self.ratios else 1.0,
            lasting_volume_ratio=0.0 if stopped else max(self.ratios, default=1.0),
            leak_share=min(1.0, leak_at_target / 2.0),
            since_inflation_periods=since_s / period_s if controlled else 0.0,
            over_target_cmh2o=ventilator.airway_cmh2o - settings.pip_target_cmh2o,
            step_rise_cmh2o=self._step_rise(ventilator, flow),
            trapped_cmh2o=self._trapped(t_s, ventilator, period_s),
            leak_over_flow=leak_at_target,
            open_to_room=ventilator.open_to_room,
            closed=self._closed(ventilator, flow),
            since_release_s=t_s - self.released_s,
            since_breath_s=t_s - self.breathed_s,
            since_co2_s=t_s - self.co2_s,
            arterial_co2_mmhg=gas.blood_co2 - self.spec.gas.co2_gradient_mmhg,
            inspired_co2_mmhg=gas.inspired_co2,
            dilution=monitor.dilution,
            perfusion=gas.perfusion,
            saturation=gas.saturation,
            temperature_c=monitor.temperature_c,
            fresh_gas_factor=ventilator.fresh_gas_factor,
            breathing=animal.drive.breathing,
            battery_minutes=self.place.battery.minutes_left,
        )

    def _follow(self, t_s: float, animal: Animal) -> None:
        ventilator, settings = animal.ventilator, animal.ventilator.settings
        last = ventilator.last
        if last is not None and last.number != self.number:
            self.number = last.number
            self.inflated_s = max(0.0, last.end_ms / _MS_PER_S)
            self.ratios.append(last.volume_ml / self.healthy(settings)[0])
        volume = ventilator.volume_ml
        self.lowest_ml = min(self.lowest_ml, volume)
        if volume - self.lowest_ml >= self.spec.lung.dead_space_ml and not ventilator.extubated:
            self.breathed_s, self.lowest_ml = t_s, volume
        if (1.0 - animal.monitor.dilution) * animal.gas.sensor_co2 >= _NO_CO2_MMHG:
            self.co2_s = t_s
        driving = settings.pip_target_cmh2o - settings.peep_cmh2o
        if ventilator.airway_cmh2o < settings.peep_cmh2o + _RELEASED * driving:
            self.released_s = t_s

    def _step_rise(self, ventilator: Ventilator, flow: float) -> float:
        rise = ventilator.resistance_factor - 1.0
        return rise * self.spec.lung.resistance_cmh2o_s_per_l / _MS_PER_S * flow

    def _closed(self, ventilator: Ventilator, flow: float) -> bool:
        """No way through the tube: closed, or so narrow that no breath passes the dead space."""
        narrow = self._step_rise(ventilator, flow) > _NARROW_CMH2O
        volume = ventilator.last.volume_ml if ventilator.last is not None else 0.0
        return ventilator.occluded or (narrow and volume < self.spec.lung.dead_space_ml)

    def _trapped(self, t_s: float, ventilator: Ventilator, period_s: float) -> float:
        """The least elastic pressure of the last breath and a bit, over PEEP."""
        self.elastic.append((t_s, ventilator.elastic_cmh2o))
        while self.elastic[0][0] < t_s - 1.3 * period_s - 0.5:
            self.elastic.popleft()
        return min(value for _, value in self.elastic) - ventilator.settings.peep_cmh2o


def simulate(case: Case) -> Told:
    """Run the case. Times of the instants are s from its start."""
    spec = place_of(case)
    place = SimulatedPlace(spec, WARD, START_MS, case.seed)
    follower = _Follower(spec, place)
    told = Told([], [], follower.period_s(spec.settings))
    for now_ms in range(0, round(case.lasts_s * _MS_PER_S) + 1, STEP_MS):
        told.sent.extend(place.advance(now_ms))
        told.instants.append(follower.instant(now_ms / _MS_PER_S))
    return told
