"""One simulated place: the timeline of its events, and the truth as it happens."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial

from adapters.simulator.animal import Animal
from adapters.simulator.device import Device, Sent
from adapters.simulator.disturbances import (
    ClockEvent,
    NoiseEvent,
    PushEvent,
    SensorFaultEvent,
    ShareEvent,
    SuctionEvent,
    TemperatureEvent,
)
from adapters.simulator.event_base import RampEvent
from adapters.simulator.events import (
    ConnectionEvent,
    Event,
    FactorEvent,
    JourneyEvent,
    LeakEvent,
    PhaseEvent,
    RestartEvent,
    SensorEvent,
    SettingsEvent,
    SilentEvent,
    SupplyEvent,
)
from adapters.simulator.power import Battery
from adapters.simulator.push import Push
from adapters.simulator.ramps import RAMP_MS, Ramps
from adapters.simulator.reporter import Reporter
from adapters.simulator.scenario import ExpectSpec, PlaceSpec
from adapters.simulator.truth import Expectation, Truth
from adapters.simulator.ventilator import LastInflation

_MS_PER_S = 1000.0
_NEVER_MS = 2**62


def _ms(seconds: float) -> int:
    return round(seconds * _MS_PER_S)


class SimulatedPlace:
    """A place whose story begins at `start_ms` (ms since 1970)."""

    def __init__(self, spec: PlaceSpec, ward: str, start_ms: int, seed: int) -> None:
        self.name = spec.place
        self.truth: list[Truth] = []
        self.animal = Animal(spec, f"{seed}/{spec.place}")
        self._start_ms = start_ms
        self.battery = Battery(spec.power)
        self._device = Device(spec.device, ward, spec.place, start_ms)
        self._reporter = Reporter(spec, self.animal, self.battery, self._device)
        self._events = sorted(spec.events, key=lambda event: event.at_s)
        self._ramps = Ramps(self.animal)
        #: What ends by itself: when, and how.
        self._endings: list[tuple[int, Callable[[], None]]] = []
        self._resume_ms: int | None = None
        self._begun = False
        timed = [e for e in spec.expects if e.onset.at_s is not None]
        self._timed = sorted(timed, key=lambda e: e.onset.at_s or 0.0)
        self._watched = [e for e in spec.expects if e.onset.measure is not None]
        self._healthy = self._seen = self.animal.ventilator.last

    def advance(self, until_ms: int) -> list[Sent]:
        """Simulate up to and with `until_ms` (ms from the start); what was sent since."""
        if until_ms < 0:
            return []
        if not self._begun:
            self._begun = True
            self._reporter.start(0)
            self._at(0)
        animal = self.animal
        while animal.now_ms < until_ms:
            animal.run_to(min(self._next_ms(animal.now_ms), until_ms))
            self._at(animal.now_ms)
        return self._device.collect()

    def _next_ms(self, now_ms: int) -> int:
        due = self._reporter.next_ms
        due = min(due, self._ramps.next_ms(now_ms) or due, *(end for end, _ in self._endings))
        if self._events:
            due = min(due, _ms(self._events[0].at_s))
        if self._timed:
            due = min(due, _ms(self._timed[0].onset.at_s or 0.0))
        if self._resume_ms is not None:
            due = min(due, self._resume_ms)
        return due

    def _at(self, now_ms: int) -> None:
        if now_ms == self._resume_ms:
            self._resume(now_ms)
        while self._events and _ms(self._events[0].at_s) <= now_ms:
            event = self._events.pop(0)
            self.truth.append(Truth(self._start_ms + now_ms, self.name, event.describe()))
            self._happen(event, now_ms)
        while self._timed and _ms(self._timed[0].onset.at_s or 0.0) <= now_ms:
            self._expect(self._timed.pop(0), now_ms)
        if now_ms % RAMP_MS == 0 and self._ramps.next_ms(now_ms) is not None:
            self._ramps.move(now_ms)
        for ending in [one for one in self._endings if one[0] <= now_ms]:
            self._endings.remove(ending)
            ending[1]()
        if self.animal.ventilator.last is not self._seen:
            self._seen = self.animal.ventilator.last
            self._watch(self._seen)
        self._reporter.report(now_ms)

    def _expect(self, spec: ExpectSpec, at_ms: int) -> None:
        expectation = Expectation(spec.rule, spec.priority, spec.within_s)
        self.truth.append(Truth(self._start_ms + at_ms, self.name, spec.what, expectation))

    def _watch(self, last: LastInflation | None) -> None:
        healthy = self._healthy
        if last is None or healthy is None:
            return
        ratios = {
            "volume": last.volume_ml / healthy.volume_ml,
            "ti": last.ti_s / healthy.ti_s,
        }
        for spec in list(self._watched):
            if spec.onset.passed(ratios[spec.onset.measure or "ti"]):
                self._watched.remove(spec)
                self._expect(spec, math.ceil(last.end_ms))

    def _happen(self, event: Event, now_ms: int) -> None:
        match event:
            case RampEvent():
                level = _level_of(event)
                self._ramps.begin(event.kind, level, _ms(event.over_s), now_ms)
            case SuctionEvent() | PushEvent() | NoiseEvent():
                self._disturb(event, now_ms)
            case ConnectionEvent():
                self._connect(event)
            case SettingsEvent():
                ventilator = self.animal.ventilator
                ventilator.change(ventilator.settings.model_copy(update=event.changes()))
                self._reporter.send_settings(now_ms)
            case SilentEvent():
                self._device.be_silent(now_ms + _ms(event.for_s), lost=event.lost, only=event.only)
            case RestartEvent():
                self._stop(now_ms + _ms(event.for_s))
            case _:
                self._report_event(event, now_ms)

    def _report_event(self, event: Event, now_ms: int) -> None:
        match event:
            case SensorFaultEvent():
                self._reporter.sensor_fault(event.sensor, event.kind)
            case ClockEvent():
                self._device.clock_ahead_ms = _ms(event.ahead_s)
            case JourneyEvent():
                self._reporter.send_journey(now_ms, event)
            case PhaseEvent():
                self._reporter.send_patient(now_ms, event.phase)
            case SensorEvent():
                status = event.status if event.kind == "sensor-off" else None
                self._reporter.sensor(event.sensor, status)
            case SupplyEvent():
                self.battery.supply = event.supply
                self._reporter.send_power(now_ms)

    def _connect(self, event: ConnectionEvent) -> None:
        ventilator = self.animal.ventilator
        match event.kind:
            case "disconnect" | "reconnect":
                ventilator.disconnected = event.kind == "disconnect"
            case "extubate" | "reintubate":
                ventilator.extubate(event.kind == "extubate")
            case "occlude" | "clear":
                ventilator.occluded = event.kind == "occlude"
            case "block-exhalation" | "free-exhalation":
                ventilator.exhalation_blocked = event.kind == "block-exhalation"
        ventilator.refresh()

    def _disturb(self, event: SuctionEvent | PushEvent | NoiseEvent, now_ms: int) -> None:
        animal, lasts_ms = self.animal, _ms(event.for_s)
        match event:
            case SuctionEvent():
                self._suck(event.ml_per_s)
                self._endings.append((now_ms + lasts_ms, partial(self._suck, 0.0)))
            case PushEvent():
                animal.push = Push(now_ms, lasts_ms, event.cmh2o)
            case NoiseEvent():
                self._add_noise(event.paw_cmh2o, event.co2_mmhg)
                self._endings.append((now_ms + lasts_ms, partial(self._add_noise, 0.0, 0.0)))

    def _suck(self, ml_per_s: float) -> None:
        self.animal.ventilator.suction_ml_per_s = ml_per_s
        self.animal.ventilator.refresh()

    def _add_noise(self, paw_cmh2o: float, co2_mmhg: float) -> None:
        self.animal.monitor.extra_noise_paw_cmh2o = paw_cmh2o
        self.animal.monitor.extra_noise_co2_mmhg = co2_mmhg

    def _stop(self, resume_ms: int) -> None:
        self.animal.ventilator.switch_off(True)
        self._reporter.skip_to(_NEVER_MS)
        self._resume_ms = resume_ms

    def _resume(self, now_ms: int) -> None:
        self._resume_ms = None
        self._device.restart()
        self.animal.ventilator.switch_off(False)
        self._reporter.start(now_ms)


def _level_of(event: RampEvent) -> float:
    match event:
        case FactorEvent():
            return event.factor
        case ShareEvent():
            return event.share
        case TemperatureEvent():
            return event.change_c
        case LeakEvent():
            return event.ml_per_s_per_cmh2o
    raise TypeError(f"no ramp: {event.describe()}")
