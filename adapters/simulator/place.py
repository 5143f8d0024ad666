"""One simulated place: the timeline of its events, and the truth as it happens."""

from __future__ import annotations

import math
from dataclasses import dataclass

from adapters.simulator.animal import Animal
from adapters.simulator.device import Device, Sent
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
from adapters.simulator.reporter import Reporter
from adapters.simulator.scenario import ExpectSpec, PlaceSpec
from adapters.simulator.truth import Expectation, Truth
from adapters.simulator.ventilator import LastInflation

_MS_PER_S = 1000.0
#: A ramp moves in steps of this length.
_RAMP_MS = 50
_NEVER_MS = 2**62


def _ms(seconds: float) -> int:
    return round(seconds * _MS_PER_S)


@dataclass(slots=True)
class _Ramp:
    what: str
    start: float
    end: float
    from_ms: int
    to_ms: int

    def value(self, now_ms: int) -> float:
        if now_ms >= self.to_ms:
            return self.end
        share = (now_ms - self.from_ms) / (self.to_ms - self.from_ms)
        return self.start + share * (self.end - self.start)


class SimulatedPlace:
    """A place whose story begins at `start_ms` (ms since 1970)."""

    def __init__(self, spec: PlaceSpec, ward: str, start_ms: int, seed: int) -> None:
        self.name = spec.place
        self.truth: list[Truth] = []
        self.animal = Animal(spec, f"{seed}/{spec.place}")
        self._start_ms = start_ms
        self._battery = Battery(spec.power)
        self._device = Device(spec.device, ward, spec.place, start_ms)
        self._reporter = Reporter(spec, self.animal, self._battery, self._device)
        self._events = sorted(spec.events, key=lambda event: event.at_s)
        self._ramps: list[_Ramp] = []
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
        if self._ramps:
            due = min(due, now_ms - now_ms % _RAMP_MS + _RAMP_MS)
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
        if self._ramps and now_ms % _RAMP_MS == 0:
            self._move_ramps(now_ms)
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
            case FactorEvent():
                self._ramp(event.kind, event.factor, event.over_s, now_ms)
            case LeakEvent():
                self._ramp("leak", event.ml_per_s_per_cmh2o, event.over_s, now_ms)
            case ConnectionEvent():
                self._connect(event)
            case SettingsEvent():
                ventilator = self.animal.ventilator
                ventilator.change(ventilator.settings.model_copy(update=event.changes()))
                self._reporter.send_settings(now_ms)
            case SilentEvent():
                self._device.be_silent(now_ms + _ms(event.for_s), lost=event.lost)
            case RestartEvent():
                self._stop(now_ms + _ms(event.for_s))
            case _:
                self._report_event(event, now_ms)

    def _report_event(
        self, event: JourneyEvent | PhaseEvent | SensorEvent | SupplyEvent, now_ms: int
    ) -> None:
        match event:
            case JourneyEvent():
                self._reporter.send_journey(now_ms, event)
            case PhaseEvent():
                self._reporter.send_patient(now_ms, event.phase)
            case SensorEvent():
                status = event.status if event.kind == "sensor-off" else None
                self._reporter.sensor(event.sensor, status)
            case SupplyEvent():
                self._battery.supply = event.supply
                self._reporter.send_power(now_ms)

    def _connect(self, event: ConnectionEvent) -> None:
        ventilator = self.animal.ventilator
        match event.kind:
            case "disconnect" | "reconnect":
                ventilator.disconnected = event.kind == "disconnect"
            case "occlude" | "clear":
                ventilator.occluded = event.kind == "occlude"
            case "block-exhalation" | "free-exhalation":
                ventilator.exhalation_blocked = event.kind == "block-exhalation"
        ventilator.refresh()

    def _stop(self, resume_ms: int) -> None:
        self.animal.ventilator.switch_off(True)
        self._reporter.skip_to(_NEVER_MS)
        self._resume_ms = resume_ms

    def _resume(self, now_ms: int) -> None:
        self._resume_ms = None
        self._device.restart()
        self.animal.ventilator.switch_off(False)
        self._reporter.start(now_ms)

    def _ramp(self, what: str, end: float, over_s: float, now_ms: int) -> None:
        self._ramps = [ramp for ramp in self._ramps if ramp.what != what]
        self._ramps.append(_Ramp(what, self._level(what), end, now_ms, now_ms + _ms(over_s)))
        self._move_ramps(now_ms)

    def _level(self, what: str) -> float:
        ventilator, gas = self.animal.ventilator, self.animal.gas
        return {
            "compliance": ventilator.compliance_factor,
            "resistance": ventilator.resistance_factor,
            "leak": ventilator.leak,
            "perfusion": gas.perfusion,
        }[what]

    def _move_ramps(self, now_ms: int) -> None:
        ventilator, gas = self.animal.ventilator, self.animal.gas
        for ramp in self._ramps:
            level = ramp.value(now_ms)
            match ramp.what:
                case "compliance":
                    ventilator.compliance_factor = level
                case "resistance":
                    ventilator.resistance_factor = level
                case "leak":
                    ventilator.leak = level
                case "perfusion":
                    gas.perfusion = level
        self._ramps = [ramp for ramp in self._ramps if now_ms < ramp.to_ms]
        ventilator.refresh()
