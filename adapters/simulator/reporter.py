"""What the device of a place says, and when: blocks of samples, numerics, settings, power."""

from __future__ import annotations

from typing import Any, Final

from adapters.simulator.animal import Animal
from adapters.simulator.device import Device, quantity
from adapters.simulator.events import JourneyEvent, Phase, Sensor, Status
from adapters.simulator.power import Battery
from adapters.simulator.scenario import PlaceSpec

_MS_PER_S: Final = 1000
_MS_PER_MIN: Final = 60_000
_NUMERICS_MS: Final = 1000
_POWER_MS: Final = 10_000
_SETTINGS_MS: Final = 60_000
#: The single values that depend on a sensor.
_BY_SENSOR: Final[dict[Sensor, tuple[str, ...]]] = {
    "paw": ("pip",),
    "co2": ("etco2", "fico2", "rr"),
    "spo2": ("spo2",),
    "pulse_rate": ("pulse_rate",),
    "temperature": ("temperature",),
}


class _Channel:
    """One waveform: its samples since the block began."""

    def __init__(self, name: Sensor, unit: str, rate_hz: int, block_s: float) -> None:
        self.name = name
        self._unit = unit
        self._rate_hz = rate_hz
        self.every_ms = _MS_PER_S // rate_hz
        self._size = round(rate_hz * block_s)
        self.start(0)

    def start(self, now_ms: int) -> None:
        """Begin a block whose first sample is due now."""
        self.next_ms = now_ms
        self._from_ms = now_ms
        self._samples: list[float | None] = []

    def take(self, sample: float | None) -> None:
        """A sample, null when lost."""
        self._samples.append(sample)
        self.next_ms += self.every_ms

    def block(self) -> tuple[int, dict[str, Any]] | None:
        """Start and body of a block that is full; the next one then begins."""
        if len(self._samples) < self._size:
            return None
        body = {
            "channel": self.name,
            "unit": self._unit,
            "rate_hz": self._rate_hz,
            "samples": self._samples,
        }
        begun_ms = self._from_ms
        self.start(self.next_ms)
        return begun_ms, body


class Reporter:
    """Samples the animal and sends what is due, from `start` on."""

    def __init__(self, spec: PlaceSpec, animal: Animal, battery: Battery, device: Device) -> None:
        self._spec = spec
        self._animal = animal
        self._battery = battery
        self._device = device
        monitor = spec.monitor
        self._paw = _Channel("paw", "cm[H2O]", monitor.paw_hz, monitor.paw_block_s)
        self._co2 = _Channel("co2", "mm[Hg]", monitor.co2_hz, monitor.co2_block_s)
        self._off: dict[Sensor, Status] = {}
        self._faults: dict[Sensor, str] = {}
        self._frozen: dict[Sensor, float] = {}
        self._held: dict[str, Any] = {}
        self._phase: Phase = spec.patient.phase
        self._journey: dict[str, Any] | None = None
        self._start_ms = 0
        self._second_ms = 0

    @property
    def next_ms(self) -> int:
        """When something is due next."""
        return min(self._paw.next_ms, self._co2.next_ms, self._second_ms)

    def start(self, now_ms: int) -> None:
        """The device starts: it says who and what is there, then goes on from now."""
        self._paw.start(now_ms)
        self._co2.start(now_ms)
        self._start_ms = self._second_ms = now_ms
        self.send_patient(now_ms)
        self.send_settings(now_ms)
        self.send_power(now_ms)
        if self._journey is not None:
            self._device.send(now_ms, "journey", self._journey)

    def skip_to(self, now_ms: int) -> None:
        """The device is off until `now_ms`; its battery is not asked meanwhile."""
        self._paw.start(now_ms)
        self._co2.start(now_ms)
        self._second_ms = now_ms

    def report(self, now_ms: int) -> None:
        """Sample and send what is due at `now_ms`."""
        animal = self._animal
        if now_ms == self._paw.next_ms:
            self._send_block(self._paw, now_ms)
            zero = self._faults.get("paw") == "sensor-zero"
            airway = 0.0 if zero else animal.ventilator.airway_cmh2o
            self._sample(self._paw, animal.monitor.paw_sample(now_ms, airway))
        if now_ms == self._co2.next_ms:
            self._send_block(self._co2, now_ms)
            blocked = self._faults.get("co2") == "sensor-zero"
            self._sample(self._co2, animal.monitor.co2_sample(now_ms, blocked=blocked))
        if now_ms == self._second_ms:
            self._each_second(now_ms)
            self._second_ms += _NUMERICS_MS

    def _sample(self, channel: _Channel, sample: float) -> None:
        if channel.name in self._off:
            channel.take(None)
        elif self._faults.get(channel.name) == "sensor-frozen":
            channel.take(self._frozen.setdefault(channel.name, sample))
        else:
            channel.take(sample)

    def _send_block(self, channel: _Channel, now_ms: int) -> None:
        full = channel.block()
        if full is not None:
            begun_ms, body = full
            self._device.send(now_ms, "waveform", body, at_ms=begun_ms)

    def _each_second(self, now_ms: int) -> None:
        self._send_numerics(now_ms)
        since_ms = now_ms - self._start_ms
        if since_ms == 0:
            return
        self._battery.run(_NUMERICS_MS / _MS_PER_S)
        if since_ms % _POWER_MS == 0:
            self.send_power(now_ms)
        if since_ms % _SETTINGS_MS == 0:
            self.send_settings(now_ms)

    def _send_numerics(self, now_ms: int) -> None:
        values: dict[str, Any] = {
            name: quantity(value, unit)
            for name, (value, unit) in self._animal.monitor.values(now_ms).items()
        }
        for sensor, fault in self._faults.items():
            for name in _BY_SENSOR[sensor]:
                held = self._held.setdefault(name, values[name])
                zero = quantity(0.0, values[name]["unit"])
                values[name] = zero if fault == "sensor-zero" else held
        for sensor, status in self._off.items():
            for name in _BY_SENSOR[sensor]:
                values[name] = {"value": None, "status": status}
        self._device.send(now_ms, "numerics", {"values": values})

    def send_power(self, now_ms: int) -> None:
        """Supply and battery as they are now."""
        values = {n: quantity(value, unit) for n, (value, unit) in self._battery.values().items()}
        self._device.send(now_ms, "power", {"supply": self._battery.supply, **values})

    def send_settings(self, now_ms: int) -> None:
        """The settings as they are confirmed now."""
        settings = self._animal.ventilator.settings
        circuit = self._spec.circuit.compliance_ml_per_cmh2o
        body = {
            "mode": settings.mode,
            "pip_target": quantity(settings.pip_target_cmh2o, "cm[H2O]"),
            "te_set": quantity(settings.te_set_s, "s"),
            "fresh_gas_flow": quantity(settings.fresh_gas_flow_ml_per_min, "mL/min"),
            "peep_set": quantity(settings.peep_cmh2o, "cm[H2O]"),
            "circuit_compliance": quantity(circuit, "mL/cm[H2O]"),
        }
        self._device.send(now_ms, "settings", body)

    def send_patient(self, now_ms: int, phase: Phase | None = None) -> None:
        """Who lies here, in `phase` from now on when given."""
        self._phase = phase or self._phase
        patient = self._spec.patient
        body = {
            "patient": patient.name,
            "species": patient.species,
            "class": patient.class_,
            "mass": quantity(patient.mass_kg, "kg"),
            "phase": self._phase,
        }
        self._device.send(now_ms, "patient", body)

    def send_journey(self, now_ms: int, event: JourneyEvent) -> None:
        """A journey has been planned."""
        self._journey = {
            "from": event.from_,
            "to": event.to,
            "leaves_at": self._device.instant(now_ms + event.leaves_in_min * _MS_PER_MIN),
            "minutes": event.minutes,
            "return_minutes": event.return_minutes,
            "margin_minutes": event.margin_minutes,
        }
        self._device.send(now_ms, "journey", self._journey)

    def sensor(self, sensor: Sensor, status: Status | None) -> None:
        """A sensor is off with `status`, or on again and well (None)."""
        self._off.pop(sensor, None)
        self._faults.pop(sensor, None)
        self._frozen.pop(sensor, None)
        for name in _BY_SENSOR[sensor]:
            self._held.pop(name, None)
        if status is not None:
            self._off[sensor] = status

    def sensor_fault(self, sensor: Sensor, fault: str) -> None:
        """A sensor sends its last value (`sensor-frozen`) or its zero (`sensor-zero`) from now."""
        self.sensor(sensor, None)
        self._faults[sensor] = fault
