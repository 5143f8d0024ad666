"""The animal's own breathing: none while blood CO2 is low, and then small breaths of its own."""

from __future__ import annotations

import math

from adapters.simulator.scenario import DriveSpec
from adapters.simulator.truth import TrueBreath
from adapters.simulator.ventilator import Ventilator

_MS_PER_MIN = 60_000.0
_MS_PER_S = 1000.0
#: Breathing, once back, stops again only when CO2 has fallen this far under the threshold.
_HYSTERESIS_MMHG = 4.0
#: First breaths are shallow; they deepen with CO2 over the threshold, up to a limit.
_FIRST_DEPTH = 0.7
_DEPTH_PER_MMHG = 1.0 / 12.0
_MAX_DEPTH = 1.6
_INSPIRED_SHARE = 0.4
#: A breath that no other follows for this many periods is closed, its expiratory time unknown.
_PERIODS_TO_CLOSE = 2.0


class Drive:
    """Effort from blood CO2, and the breaths it makes while the ventilator does not cycle."""

    def __init__(self, spec: DriveSpec) -> None:
        self._spec = spec
        self._period_ms = _MS_PER_MIN / spec.rate_per_min
        self._ti_ms = _INSPIRED_SHARE * self._period_ms
        self._awake = False
        self._next_ms = 0.0
        self._start_ms = -math.inf
        self._depth = 0.0
        self._record: _Record | None = None

    @property
    def breathing(self) -> bool:
        """Whether the animal breathes by itself."""
        return self._awake

    def tick(self, now_ms: int, blood_co2: float, ventilator: Ventilator) -> None:
        """Set the effort for the next 5 ms, from blood CO2 in mmHg."""
        threshold = self._spec.co2_threshold_mmhg
        if not self._awake and blood_co2 > threshold:
            self._awake, self._next_ms = True, float(now_ms)
        elif self._awake and blood_co2 < threshold - _HYSTERESIS_MMHG:
            self._awake = False
        if self._awake and now_ms >= self._next_ms:
            over = (blood_co2 - threshold) * _DEPTH_PER_MMHG
            self._depth = min(_MAX_DEPTH, max(_FIRST_DEPTH, _FIRST_DEPTH + over))
            self._start_ms, self._next_ms = float(now_ms), now_ms + self._period_ms
            self._begin(now_ms, ventilator)
        phase = (now_ms - self._start_ms) / self._ti_ms
        pull = math.sin(math.pi * phase) if phase < 1.0 else 0.0
        ventilator.effort_cmh2o = self._depth * self._spec.effort_cmh2o * pull
        if self._record is not None:
            self._follow(now_ms, ventilator, self._record)

    def _begin(self, now_ms: int, ventilator: Ventilator) -> None:
        self._finish(now_ms, ventilator)
        if ventilator.settings.mode != "controlled" or ventilator.off:
            self._record = _Record(now_ms, ventilator.airway_cmh2o, ventilator.volume_ml)

    def _follow(self, now_ms: int, ventilator: Ventilator, record: _Record) -> None:
        record.take(now_ms, ventilator.airway_cmh2o, ventilator.volume_ml)
        if now_ms - record.start_ms > _PERIODS_TO_CLOSE * self._period_ms:
            self._finish(None, ventilator)

    def _finish(self, next_ms: int | None, ventilator: Ventilator) -> None:
        record, self._record = self._record, None
        if record is not None:
            ventilator.breaths.append(record.breath(next_ms))


class _Record:
    """A breath of the animal's own, followed every 5 ms. Ti runs to the largest lung volume."""

    def __init__(self, start_ms: int, airway_cmh2o: float, volume_ml: float) -> None:
        self.start_ms = start_ms
        self._baseline = airway_cmh2o
        self._start_volume = volume_ml
        self._highest_volume = volume_ml
        self._highest_ms = start_ms
        self._pip = airway_cmh2o
        self._sum = 0.0
        self._count = 0

    def take(self, now_ms: int, airway_cmh2o: float, volume_ml: float) -> None:
        """Airway pressure and lung volume at `now_ms`."""
        self._pip = max(self._pip, airway_cmh2o)
        self._sum += airway_cmh2o
        self._count += 1
        if volume_ml > self._highest_volume:
            self._highest_volume, self._highest_ms = volume_ml, now_ms

    def breath(self, next_ms: int | None) -> TrueBreath:
        """The whole breath, closed by the next one at `next_ms` or by none."""
        return TrueBreath(
            start_ms=float(self.start_ms),
            ti_s=(self._highest_ms - self.start_ms) / _MS_PER_S,
            te_s=None if next_ms is None else (next_ms - self._highest_ms) / _MS_PER_S,
            pip_cmh2o=self._pip,
            baseline_cmh2o=self._baseline,
            mean_cmh2o=self._sum / max(1, self._count),
            lung_volume_ml=self._highest_volume - self._start_volume,
            delivered_ml=0.0,
            kind="spontaneous",
        )
