"""Pressure records with known inflations: simulated places, and an open animal recording."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from published.animal_recording import AnimalRecording
from published.animal_truth import true_inflations

from adapters.simulator.scenario import CircuitSpec, LungSpec, SettingsSpec
from adapters.simulator.ventilator import Ventilator

Array = npt.NDArray[np.float64]
RATE_HZ = 100.0


@dataclass(frozen=True)
class Record:
    """Samples at an even rate from `begins_s` on, and (start, end) of each true inflation (s).

    Inflations cut by the start, or that end in the last 1.5 s, are `partial`: found or not, they
    do not count.
    """

    name: str
    rate_hz: float
    begins_s: float
    pressure_cmh2o: Array
    inflations: list[tuple[float, float]]
    partial: list[tuple[float, float]] = field(default_factory=list)

    @property
    def duration_s(self) -> float:
        """Length of the record (s)."""
        return len(self.pressure_cmh2o) / self.rate_hz

    def at_s(self, sample: float) -> float:
        """Time of a sample."""
        return self.begins_s + sample / self.rate_hz


@dataclass(frozen=True)
class Place:
    """A simulated place: an animal on its ventilator, and what disturbs its pressure sensor."""

    name: str
    pip_cmh2o: float
    te_s: float
    flow_ml_per_min: float
    compliance_ml_per_cmh2o: float
    resistance_cmh2o_s_per_l: float
    peep_cmh2o: float = 0.0
    noise_cmh2o: float = 0.07
    heart_cmh2o: float = 0.0
    heart_hz: float = 3.0
    drift_cmh2o: float = 0.0
    #: (from s, target cmH2O, Te s): settings changed on the way; a target of 0 means standby.
    changes: tuple[tuple[int, float, float], ...] = ()
    #: (from s, to s): efforts of 4 cmH2O, 0.4 s long, every 1.7 s.
    efforts: tuple[int, int] | None = None


PLACES = (
    Place("cat 0.6 kg, 22/min", 9.5, 2.0, 700, 0.85, 45),
    Place("mouse 30 g, 110/min", 10, 0.35, 130, 0.04, 284, noise_cmh2o=0.10),
    Place("rabbit 1.8 kg, noisy sensor", 10, 2.2, 1600, 2.6, 30, noise_cmh2o=0.40),
    Place("rabbit 1.8 kg, heart in the trace", 10, 2.2, 1600, 2.6, 30, heart_cmh2o=0.5),
    Place("bird 0.2 kg, 5 cmH2O", 5, 1.8, 400, 0.5, 60, 0.0, 0.15, 0.25, 5.0),
    Place("tortoise 2 kg, 5/min, drift", 10, 10.0, 1200, 4.0, 20, drift_cmh2o=1.5),
    Place("ferret 1 kg, PEEP 5, drift, noise", 14, 1.5, 1000, 1.5, 25, 5.0, 0.25,
          drift_cmh2o=1.0),
    Place("cat 3 kg, settings and standby", 12, 2.0, 2400, 4.9, 11.3,
          changes=((40, 7.0, 2.0), (80, 18.0, 4.0), (115, 0.0, 2.0), (150, 10.0, 1.2))),
    Place("cat 0.6 kg, efforts between", 9.5, 3.0, 700, 0.85, 45, efforts=(60, 140)),
)  # fmt: skip
SECONDS = 180


def simulated(place: Place, seed: int, seconds: int = SECONDS) -> Record:
    """What the sensor of a place shows, at 100 Hz, and what its ventilator did."""
    chance = np.random.default_rng(seed)
    clean, ventilator = _driven(place, seconds)
    times = np.arange(len(clean)) / RATE_HZ
    pressure = clean + chance.normal(0.0, place.noise_cmh2o, len(clean))
    pressure += place.heart_cmh2o * _heart(times, place.heart_hz)
    pressure += place.drift_cmh2o * np.sin(2.0 * np.pi * times / 120.0)
    spans = [
        (breath.start_ms / 1000.0, breath.start_ms / 1000.0 + breath.ti_s)
        for breath in ventilator.breaths
    ]
    return _record(place.name, 0.0, pressure, spans)


def _record(
    name: str, begins_s: float, pressure: Array, spans: list[tuple[float, float]]
) -> Record:
    ends_s = begins_s + len(pressure) / RATE_HZ
    inside = [span for span in spans if begins_s < span[1] and span[0] < ends_s]
    # A stream has to see the release for a moment before an inflation is over.
    whole = [span for span in inside if begins_s < span[0] and span[1] < ends_s - 1.5]
    cut = [span for span in inside if span not in whole]
    return Record(name, RATE_HZ, begins_s, pressure, whole, cut)


def _heart(times: Array, rate_hz: float) -> Array:
    """A peaked wave once a beat, its rate swaying by 3 %: between -0.3 and 1."""
    phase = 2.0 * np.pi * (rate_hz * times + 0.03 * rate_hz * np.sin(times / 5.0))
    return np.asarray(np.exp(2.0 * (np.cos(phase) - 1.0)) * 1.3 - 0.3)


def _driven(place: Place, seconds: int) -> tuple[Array, Ventilator]:
    ventilator = Ventilator(
        _settings(place, place.pip_cmh2o, place.te_s),
        CircuitSpec(compliance_ml_per_cmh2o=0.1 * place.compliance_ml_per_cmh2o),
        LungSpec(
            compliance_ml_per_cmh2o=place.compliance_ml_per_cmh2o,
            resistance_cmh2o_s_per_l=place.resistance_cmh2o_s_per_l,
            dead_space_ml=1.0,
            residual_ml=10.0,
        ),
        -3000,
    )
    changes = {1000 * from_s: (pip, te_s) for from_s, pip, te_s in place.changes}
    samples = []
    for now_ms in range(0, 1000 * seconds, round(1000 / RATE_HZ)):
        ventilator.run(now_ms)
        if now_ms in changes:
            ventilator.change(_settings(place, *changes[now_ms]))
        if place.efforts is not None:
            from_s, to_s = place.efforts
            inside = from_s <= now_ms / 1000.0 < to_s and now_ms % 1700 < 400
            ventilator.effort_cmh2o = -4.0 if inside else 0.0
        samples.append(ventilator.airway_cmh2o)
    # A breath is filed when the next one begins.
    ventilator.run(1000 * (seconds + 30))
    return np.array(samples), ventilator


def _settings(place: Place, pip_cmh2o: float, te_s: float) -> SettingsSpec:
    return SettingsSpec(
        mode="controlled" if pip_cmh2o else "standby",
        pip_target_cmh2o=pip_cmh2o or place.pip_cmh2o,
        te_set_s=te_s,
        fresh_gas_flow_ml_per_min=place.flow_ml_per_min,
        peep_cmh2o=place.peep_cmh2o,
    )


def animal_records(source: AnimalRecording) -> list[Record]:
    """Four stretches: two with chest compressions, one without, one without any breath."""
    stretches = (
        ("animal 0-103 s, compressions", 0.0, 103.5),
        ("animal 103-206 s, gasps, compressions", 103.5, 206.0),
        ("animal 206-260 s, ventilated", 206.0, 260.0),
        ("animal 380-1475 s, no breath", 380.0, 1475.0),
    )
    truth = [(one.start_s, one.release_s) for one in true_inflations(source)]
    records = []
    for name, from_s, to_s in stretches:
        times = np.arange(from_s, to_s, 1.0 / RATE_HZ)
        pressure = np.interp(times, source.paw_s, source.paw_cmh2o)
        records.append(_record(name, from_s, pressure, truth))
    return records
