"""Breaths in airway pressure, found sample by sample.

Terms are those of ISO 19223: an inflation runs from the rise of airway pressure to its release
(so a pause counts as inspiratory time), the expiratory time from there to the next rise. No
sample after the release is needed to report an inflation; the whole breath is final when the next
one begins. Results do not depend on how the samples were cut into blocks.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from service.signals.assembly import JITTER_S
from service.signals.onset import onset_s

#: A rise of this much over the baseline may be an inflation; larger breaths raise it (cmH2O).
MIN_RISE_CMH2O: Final = 1.0
MAX_RISE_CMH2O: Final = 3.0
RISE_SHARE: Final = 0.2
#: An excursion that ends smaller or shorter than this was none.
MIN_AMPLITUDE_CMH2O: Final = 1.5
MIN_TI_S: Final = 0.05
#: Pressure under this share of the inflation's height has been released.
RELEASE_SHARE: Final = 0.4
TOP_SHARE: Final = 0.5
#: A fall of this share of the height from one sample to the next is part of the release.
FALL_SHARE: Final = 0.08
#: The baseline follows expired pressure with this time constant; the floor creeps up with that.
BASELINE_TAU_S: Final = 0.15
FLOOR_TAU_S: Final = 0.5
#: How far a dip (an effort, a gasp) may take the floor under the baseline.
MAX_DIP_CMH2O: Final = 1.0
#: A dip that lasts longer than this was a new, lower resting pressure.
MAX_DIP_S: Final = 1.0
#: Pressure must stay released for this share of the usual time between breaths (and at most for
#: that long) before the inflation has ended: an effort against the closed valve is no release.
RELEASE_HOLD_SHARE: Final = 0.15
MAX_RELEASE_HOLD_S: Final = 0.9
#: Samples lost for longer than this break the breath they fall in.
MAX_LOST_S: Final = 0.1
#: After a start or a loss so many seconds tell the resting pressure: this quantile of them.
LEARN_REST_S: Final = 3.0
REST_QUANTILE: Final = 0.35
#: A rise that lasts so many usual periods (and at least so long) may rest on a raised baseline.
REBASE_PERIODS: Final = 2.0
REBASE_S: Final = 5.0
#: The ramp is fitted from this share of the inspiratory time on, past the resistive step.
FIT_FROM_SHARE: Final = 0.35
#: The onset is looked for from so long before the threshold's, in this first part of the rise.
ONSET_BEFORE_S: Final = 0.15
ONSET_SHARE: Final = 0.3
#: A breath that no other follows for this long is closed, its expiratory time unknown.
LONGEST_TE_S: Final = 60.0
MAX_KEPT_SAMPLES: Final = 4000


@dataclass(slots=True)
class Inflation:
    """One inflation, reported at its release. Pressures in cmH2O, times in s (device time)."""

    start_s: float
    ti_s: float
    pip_cmh2o: float
    baseline_cmh2o: float
    #: Height of the ramp's line at the start over the baseline: the resistive step (about R Q).
    step_cmh2o: float | None
    slope_cmh2o_per_s: float | None
    #: Time from the start of the breath before; None after a gap or for the first.
    period_s: float | None
    reference: str


@dataclass(slots=True)
class Breath:
    """A whole breath: its inflation, then expiratory time and mean pressure up to the next."""

    inflation: Inflation
    te_s: float | None
    mean_cmh2o: float | None


@dataclass(slots=True)
class Found:
    """What a run of samples brought to light."""

    inflations: list[Inflation] = field(default_factory=list)
    breaths: list[Breath] = field(default_factory=list)


@dataclass(slots=True)
class BreathFinder:
    """The streaming state of one pressure channel."""

    inspiring: bool = False
    floor: float | None = None
    baseline: float = 0.0
    height: float = 5.0
    usual_period: float | None = None
    dip_t: float | None = None
    last_t: float | None = None
    placed_t: float | None = None
    # Samples since a start or a loss, until they tell what the resting pressure is.
    unplaced: list[tuple[float, float]] | None = field(default_factory=list)
    # The last time pressure lay at the baseline, and what has been seen since.
    low_t: float = 0.0
    resting: deque[tuple[float, float]] = field(default_factory=deque)
    rising: list[tuple[float, float]] = field(default_factory=list)
    # The inflation under way.
    start_t: float = 0.0
    start_baseline: float = 0.0
    peak: float = 0.0
    released_at: int | None = None
    # The breath whose expiration is under way.
    open_breath: Inflation | None = None
    breath_start: float | None = None
    pressure_sum: float = 0.0
    pressure_count: int = 0

    def feed(self, samples: Iterable[tuple[float, float | None]], reference: str) -> Found:
        """Take (time s, pressure cmH2O or None) in time order; returns what was found."""
        found = Found()
        for t, pressure in samples:
            if pressure is None:
                continue
            if self.last_t is not None and not -JITTER_S <= t - self.last_t <= MAX_LOST_S:
                self._break(found)
            self.last_t = t
            if self.unplaced is None:
                self._place(t, pressure, reference, found)
                continue
            self.unplaced.append((t, pressure))
            if t - self.unplaced[0][0] >= LEARN_REST_S:
                self._learn_rest(reference, found)
        return found

    def _place(self, t: float, pressure: float, reference: str, found: Found) -> None:
        dt = 0.0 if self.placed_t is None else max(0.0, t - self.placed_t)
        self.placed_t = t
        if self.inspiring:
            self._inspire(t, pressure, reference, found)
        else:
            self._expire(t, pressure, dt, found)

    def _learn_rest(self, reference: str, found: Found) -> None:
        """Most samples lie at rest, whatever the phase; what comes before is part of a breath."""
        samples, self.unplaced = self.unplaced or [], None
        pressures = sorted(pressure for _, pressure in samples)
        rest = pressures[int(REST_QUANTILE * len(pressures))]
        self.floor = self.baseline = rest
        self.placed_t = None
        begun = False
        for t, pressure in samples:
            begun = begun or abs(pressure - rest) <= 0.4 * MIN_RISE_CMH2O
            if begun:
                self._place(t, pressure, reference, found)

    def finish(self) -> Found:
        """Close the last breath at the end of a recording, its expiratory time unknown."""
        found = Found()
        if self.unplaced:
            self._learn_rest("", found)
        self._break(found)
        return found

    @property
    def inspiring_since(self) -> float | None:
        """Start of an inflation that has not been released yet (device time, s)."""
        return self.start_t if self.inspiring else None

    def _expire(self, t: float, pressure: float, dt: float, found: Found) -> None:
        if self.floor is None:
            self.floor = self.baseline = pressure
            self.low_t = t
        self._count(pressure)
        if self.open_breath is not None and t - self.open_breath.start_s > LONGEST_TE_S:
            self._close_unfollowed(found)
        rise = min(MAX_RISE_CMH2O, max(MIN_RISE_CMH2O, RISE_SHARE * self.height))
        if self._dips(t, pressure):
            return
        if pressure < self.floor:
            self.floor = pressure
        elif pressure < self.floor + rise:
            self.floor += (pressure - self.floor) * min(1.0, dt / FLOOR_TAU_S)
        if pressure <= self.floor + 0.4 * rise:
            self.baseline += (pressure - self.baseline) * min(1.0, dt / BASELINE_TAU_S)
            self._rests(t, pressure)
            return
        self.rising.append((t, pressure))
        if pressure >= self.floor + rise:
            self._begin()
        elif len(self.rising) > MAX_KEPT_SAMPLES or t - self.rising[0][0] > 2.0 * FLOOR_TAU_S:
            # A new, higher resting pressure, not a breath: follow it.
            self.floor = self.baseline = pressure
            self._rests(t, pressure)

    def _rests(self, t: float, pressure: float) -> None:
        self.resting.extend(self.rising)
        self.resting.append((t, pressure))
        while self.resting[0][0] < t - ONSET_BEFORE_S:
            self.resting.popleft()
        self.low_t = t
        self.rising.clear()

    def _dips(self, t: float, pressure: float) -> bool:
        """An effort or a gasp pulls pressure down for a moment; it moves no baseline."""
        if pressure >= self.baseline - MAX_DIP_CMH2O:
            self.dip_t = None
            return False
        if self.dip_t is None:
            self.dip_t = t
        if t - self.dip_t <= MAX_DIP_S:
            self.rising.clear()
            self.resting.clear()
            self.low_t = t
            return True
        self.floor = self.baseline = pressure
        self.dip_t = None
        return False

    def _begin(self) -> None:
        self.inspiring = True
        self.start_t = self.low_t
        self.start_baseline = self.baseline
        self.peak = max(p for _, p in self.rising)
        # They were counted as expiration; now they belong to the breath that begins.
        self.pressure_sum -= sum(p for _, p in self.rising)
        self.pressure_count -= len(self.rising)

    def _inspire(self, t: float, pressure: float, reference: str, found: Found) -> None:
        if len(self.rising) < MAX_KEPT_SAMPLES:
            self.rising.append((t, pressure))
        else:
            self.rising[-1] = (t, pressure)
        self.peak = max(self.peak, pressure)
        amplitude = self.peak - self.start_baseline
        if pressure >= self.start_baseline + RELEASE_SHARE * amplitude:
            self.released_at = None
            patience_over = t - self.start_t > self._rebase_s()
            if patience_over and len(self.rising) % 8 == 0 and self._cycles_above():
                self._break(found)
                self.usual_period = None
            return
        if self.released_at is None:
            self.released_at = len(self.rising) - 1
        if t - self.rising[self.released_at][0] < self._release_hold_s():
            return
        self._end(amplitude, reference, found)

    def _release_hold_s(self) -> float:
        if self.usual_period is None:
            return 0.0
        return min(MAX_RELEASE_HOLD_S, RELEASE_HOLD_SHARE * self.usual_period)

    def _rebase_s(self) -> float:
        return max(REBASE_S, REBASE_PERIODS * (self.usual_period or 0.0))

    def _cycles_above(self) -> bool:
        """Whether pressure still swings up from a level where it mostly rests, only higher now.

        A blocked exhalation stays up, and efforts against it pull down for a moment.
        """
        last_t, window_s = self.rising[-1][0], self._rebase_s() - 1.0
        recent = sorted(p for t, p in self.rising if last_t - t <= window_s)
        swing = recent[-1] - recent[0]
        middle = recent[len(recent) // 2] - recent[0]
        return swing >= 2.0 * MIN_AMPLITUDE_CMH2O and middle < 0.5 * swing

    def _end(self, amplitude: float, reference: str, found: Found) -> None:
        end = self._top_of_fall(amplitude)
        end_t = self.rising[end][0]
        if self.resting:
            first = self.start_t + ONSET_SHARE * (end_t - self.start_t)
            rise = [s for at, s in enumerate(self.rising[: end + 1]) if at < 6 or s[0] <= first]
            self.start_t = onset_s(list(self.resting), rise)
        ti_s = end_t - self.start_t
        if amplitude >= MIN_AMPLITUDE_CMH2O and ti_s >= MIN_TI_S:
            self._close_open(self.start_t, found)
            self._report(end, ti_s, reference, found)
        else:
            self._count_all(self.rising)
        after = [pressure for _, pressure in self.rising[end + 1 :]]
        self.low_t = self.rising[-1][0]
        self.floor = max(min(after), self.start_baseline - MAX_DIP_CMH2O)
        self.inspiring = False
        self.released_at = None
        self.resting.clear()
        self.rising.clear()

    def _top_of_fall(self, amplitude: float) -> int:
        """Index of the last sample before the release."""
        samples = self.rising
        level = self.start_baseline + TOP_SHARE * amplitude
        at = self.released_at or 0
        while at > 0 and samples[at][1] < level:
            at -= 1
        while at > 0 and samples[at - 1][1] - samples[at][1] >= FALL_SHARE * amplitude:
            at -= 1
        return at

    def _report(self, end: int, ti_s: float, reference: str, found: Found) -> None:
        step, slope = self._ramp(end, ti_s)
        inflation = Inflation(
            start_s=self.start_t,
            ti_s=ti_s,
            pip_cmh2o=self.peak,
            baseline_cmh2o=self.start_baseline,
            step_cmh2o=step,
            slope_cmh2o_per_s=slope,
            period_s=None if self.breath_start is None else self.start_t - self.breath_start,
            reference=reference,
        )
        if inflation.period_s is not None:
            usual = self.usual_period or inflation.period_s
            self.usual_period = usual + 0.3 * (inflation.period_s - usual)
        self.height += 0.3 * (self.peak - self.start_baseline - self.height)
        found.inflations.append(inflation)
        self.open_breath = inflation
        self.breath_start = self.start_t
        self.pressure_sum, self.pressure_count = 0.0, 0
        self._count_all(self.rising)

    def _ramp(self, end: int, ti_s: float) -> tuple[float | None, float | None]:
        """Least-squares line through the ramp: its height at the start, and its slope."""
        first_t = self.start_t + FIT_FROM_SHARE * ti_s
        top = max(range(end + 1), key=lambda at: self.rising[at][1])
        points = [(t - self.start_t, p) for t, p in self.rising[: top + 1] if t >= first_t]
        if len(points) < 4:
            return None, None
        n = len(points)
        mean_t = sum(t for t, _ in points) / n
        mean_p = sum(p for _, p in points) / n
        spread = sum((t - mean_t) ** 2 for t, _ in points)
        slope = sum((t - mean_t) * (p - mean_p) for t, p in points) / spread
        return mean_p - slope * mean_t - self.start_baseline, slope

    def _close_open(self, next_start: float, found: Found) -> None:
        inflation = self.open_breath
        if inflation is None:
            return
        te_s = next_start - (inflation.start_s + inflation.ti_s)
        mean = self.pressure_sum / self.pressure_count if self.pressure_count else None
        found.breaths.append(Breath(inflation, te_s, mean))
        self.open_breath = None

    def _break(self, found: Found) -> None:
        """Samples were lost: what is under way has no end and no expiratory time."""
        self._close_unfollowed(found)
        self.inspiring = False
        self.released_at = self.dip_t = None
        self.floor = None
        self.unplaced = []
        self.resting.clear()
        self.rising.clear()

    def _close_unfollowed(self, found: Found) -> None:
        if self.open_breath is not None:
            found.breaths.append(Breath(self.open_breath, None, None))
        self.open_breath = None
        self.breath_start = None

    def _count(self, pressure: float) -> None:
        self.pressure_sum += pressure
        self.pressure_count += 1

    def _count_all(self, samples: list[tuple[float, float]]) -> None:
        self.pressure_sum += sum(p for _, p in samples)
        self.pressure_count += len(samples)
