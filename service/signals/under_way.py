"""The breath under way: from its inflation until the next one begins."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import sqrt

from service.signals.found import Breath
from service.signals.kinds import Inflation
from service.signals.lines import Sample, fit


@dataclass(slots=True)
class UnderWay:
    """Times in s, pressures in cmH2O."""

    inflation: Inflation | None = None
    #: Start of the last inflation, and when the last rise was released.
    start_s: float | None = None
    released_s: float | None = None
    #: The first samples after the release, while it was waited for whether it was one.
    falling: list[Sample] = field(default_factory=list)
    pressure_sum: float = 0.0
    pressure_count: int = 0

    def count(self, samples: Sequence[Sample], sign: int = 1) -> None:
        """Count these samples into the mean pressure, or out of it again."""
        self.pressure_sum += sign * sum([p for _, p in samples])
        self.pressure_count += sign * len(samples)

    def begin(self, inflation: Inflation) -> None:
        """An inflation has been released: its expiration begins."""
        self.inflation = inflation
        self.start_s = inflation.start_s
        self.pressure_sum, self.pressure_count = 0.0, 0

    def te_s(self, next_s: float) -> float | None:
        """The expiratory time, where the next inflation begins at `next_s`."""
        if self.inflation is None:
            return None
        return next_s - (self.inflation.start_s + self.inflation.ti_s)

    def close(self, next_s: float, resting: Sequence[Sample]) -> list[Breath]:
        """The whole breath, if there is one, where the next begins at `next_s`."""
        te_s = self.te_s(next_s)
        inflation, self.inflation = self.inflation, None
        if inflation is None:
            return []
        mean = self.pressure_sum / self.pressure_count if self.pressure_count else None
        return [Breath(inflation, te_s, mean, self._unfinished(next_s, resting))]

    def close_unfollowed(self) -> list[Breath]:
        """The breath that no other followed, if there is one, as far as is known."""
        inflation, self.inflation = self.inflation, None
        self.start_s = None
        return [] if inflation is None else [Breath(inflation, None, None)]

    def _unfinished(self, next_s: float, resting: Sequence[Sample]) -> float | None:
        """How much pressure fell over the last quarter of what was kept of the expiration."""
        samples = [s for s in (*self.falling, *resting) if s[0] <= next_s]
        kept = [p for _, p in samples]
        quarter = len(kept) // 4
        if quarter < 2 or self.released_s is None:
            return None
        fell = sum(kept[-2 * quarter : -quarter]) / quarter - sum(kept[-quarter:]) / quarter
        # The scatter about the fall is noise and heartbeat.
        step = max(1, quarter // 16)
        noise = fit(samples[-2 * quarter :: step], may_bend=False).scatter
        return max(0.0, fell - 2.0 * noise / sqrt(quarter))
