"""Breaths in airway pressure, found sample by sample.

Terms are those of ISO 19223: an inflation runs from the rise of airway pressure to its release
(so a pause counts as inspiratory time), the expiratory time from there to the next rise. No
sample after the release is needed to report an inflation; the whole breath is final when the next
one begins. Results do not depend on how the samples were cut into blocks.

Here pressure is followed and cut into inflations; what one inflation looks like is read in
`ramp`, what kind it is in `kinds`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from math import hypot, sqrt
from typing import Final

from service.signals import ramp
from service.signals.assembly import JITTER_S
from service.signals.kinds import Effort, Inflation, Usual, kind_of, quality_of

__all__ = ["Breath", "BreathFinder", "Effort", "Found", "Inflation"]

#: A rise of this share of a usual inflation over rest may be one, within these bounds (cmH2O).
RISE_SHARE: Final = 0.25
MIN_RISE_CMH2O: Final = 1.0
MAX_RISE_CMH2O: Final = 3.0
#: Pressure within this share of that rise is at rest.
REST_SHARE: Final = 0.35
#: An excursion that ends smaller or shorter than this was none.
MIN_AMPLITUDE_CMH2O: Final = 1.5
MIN_TI_S: Final = 0.03
#: A release lets pressure fall by this share of the height within this time; what only sinks
#: slowly was no inflation.
RELEASE_FALL_SHARE: Final = 0.2
RELEASE_FALL_S: Final = 0.1
#: Pressure under this share of the inflation's height has been released.
RELEASE_SHARE: Final = 0.4
#: Thresholds look at pressure smoothed over this time; what is measured is read off the samples.
SMOOTH_S: Final = 0.015
#: The resting level follows down with this time constant, and up no faster than this share of a
#: rise in a second: a shallow ramp must not take it along.
REST_TAU_S: Final = 0.15
CREEP_PER_S: Final = 0.15
#: Pressure over rest that has risen by less than this share of a rise in this time has a new rest.
FLAT_SHARE: Final = 0.15
FLAT_S: Final = 0.4
#: A dip of so much under rest (so many times the unrest, between the bounds) is an effort and
#: moves no rest.
MIN_DIP_CMH2O: Final = 0.5
MAX_DIP_CMH2O: Final = 1.0
DIP_UNRESTS: Final = 5.0
UNREST_TAU_S: Final = 2.0
#: A dip that lasts longer than this, or this share of the expiration, was a lower resting level.
MAX_DIP_S: Final = 1.5
MAX_DIP_SHARE: Final = 0.4
#: An effort that an inflation follows within this time started it.
TRIGGER_S: Final = 0.35
#: A dip within an inflation: this share of its height, and at least so much.
NOTCH_SHARE: Final = 0.15
MIN_NOTCH_CMH2O: Final = 0.8
#: Pressure must stay released for this share of the usual time between breaths (and at most for
#: that long) before the inflation has ended: an effort against the closed valve is no release.
RELEASE_HOLD_SHARE: Final = 0.15
MAX_RELEASE_HOLD_S: Final = 0.9
#: Samples lost for longer than this, or so many intervals, break the breath they fall in.
MAX_LOST_S: Final = 0.1
MAX_LOST_INTERVALS: Final = 3.5
#: After a start or a loss so many seconds tell the resting pressure: where this share of them
#: lies closest together. Of two places nearly as close the lower one.
LEARN_REST_S: Final = 3.0
CLOSE_SHARE: Final = 0.4
NEARLY_AS_CLOSE: Final = 1.5
#: A rise that lasts so many usual periods (and at least so long) may rest on a raised level.
REBASE_PERIODS: Final = 2.0
REBASE_S: Final = 5.0
#: A breath that no other follows for this long is closed, its expiratory time unknown.
LONGEST_TE_S: Final = 60.0
LOOK_S: Final = 0.1
KEPT_REST: Final = 500
MAX_KEPT_SAMPLES: Final = 4000


@dataclass(slots=True)
class Breath:
    """A whole breath: its inflation, then expiratory time and mean pressure up to the next.

    `unfinished_cmh2o` is how much pressure still fell in the last quarter of the expiration: more
    than noise says that the lung had not emptied (auto-PEEP).
    """

    inflation: Inflation
    te_s: float | None
    mean_cmh2o: float | None
    unfinished_cmh2o: float | None = None


@dataclass(slots=True)
class Found:
    """What a run of samples brought to light.

    `efforts` started no inflation; `artefacts` (a cough, a knock) are no breaths.
    """

    inflations: list[Inflation] = field(default_factory=list)
    breaths: list[Breath] = field(default_factory=list)
    efforts: list[Effort] = field(default_factory=list)
    artefacts: list[Inflation] = field(default_factory=list)


@dataclass(slots=True)
class BreathFinder:
    """The streaming state of one pressure channel."""

    inspiring: bool = False
    # The resting level, how far pressure strays from it, and what is usual of inflations.
    rest: float = 0.0
    unrest: float = 0.1
    usual: Usual = field(default_factory=Usual)
    smoothed: float | None = None
    # Sample interval, and what follows from it: shares of a new sample, gaps that are usual. The
    # rise that may be an inflation; when to look what has timed out.
    interval_s: float | None = None
    smooth_share: float = 1.0
    rest_share: float = 0.0
    unrest_share: float = 0.0
    creep_share: float = 0.0
    soonest_s: float = 1.0
    latest_s: float = -1.0
    look_t: float = 0.0
    rise_cmh2o: float = RISE_SHARE * 5.0
    last_t: float | None = None
    lost: int = 0
    # Samples since a start or a loss, until they tell what the resting pressure is.
    unplaced: list[tuple[float, float]] | None = field(default_factory=list)
    # What lies before the rise that may be an inflation, and the samples of that.
    resting: list[tuple[float, float]] = field(default_factory=list)
    rising: list[tuple[float, float]] = field(default_factory=list)
    # The lowest pressure since the last release: a tail that still falls is no rise.
    low: float = 0.0
    left_at: float = 0.0
    # A dip under rest, and an effort that may start the next inflation.
    dip_t: float | None = None
    dip_low: float = 0.0
    effort: Effort | None = None
    # The inflation under way.
    start_rest: float = 0.0
    peak: float = 0.0
    trough: float = 0.0
    notch: float = 0.0
    released_at: int | None = None
    released_t: float | None = None
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
                self.lost += 1
                continue
            last_t = self.last_t
            self.last_t = t
            if last_t is not None and not self.soonest_s <= t - last_t <= self.latest_s:
                self._follow_time(t - last_t, found)
            if self.unplaced is None:
                self._place(t, pressure, reference, found)
                continue
            self.unplaced.append((t, pressure))
            if t - self.unplaced[0][0] >= LEARN_REST_S:
                self._learn_rest(reference, found)
        return found

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
        return self.rising[0][0] if self.inspiring and self.rising else None

    # -- time and rest ----------------------------------------------------------------------------

    def _follow_time(self, gap_s: float, found: Found) -> None:
        """A gap that is not the usual one: the rate is learnt, or samples were lost."""
        interval_s = self.interval_s
        if gap_s > 0.0 and (interval_s is None or gap_s < interval_s):
            interval_s = gap_s if interval_s is None else interval_s + 0.2 * (gap_s - interval_s)
            self._keep_pace(interval_s)
        limit_s = max(MAX_LOST_S, MAX_LOST_INTERVALS * (interval_s or 0.0))
        if not -JITTER_S <= gap_s <= limit_s:
            self.interval_s = None
            self.soonest_s, self.latest_s = 1.0, -1.0
            self._break(found)

    def _keep_pace(self, interval_s: float) -> None:
        self.interval_s = interval_s
        self.soonest_s, self.latest_s = 0.75 * interval_s, 1.5 * interval_s
        self.smooth_share = min(1.0, interval_s / SMOOTH_S)
        self.rest_share = min(1.0, interval_s / REST_TAU_S)
        self.unrest_share = min(1.0, interval_s / UNREST_TAU_S)
        self.creep_share = CREEP_PER_S * interval_s

    def _learn_rest(self, reference: str, found: Found) -> None:
        """Most samples lie at rest, whatever the phase; what comes before is part of a breath."""
        samples, self.unplaced = self.unplaced or [], None
        self.rest = self.low = _closest(sorted(pressure for _, pressure in samples))
        self.smoothed = None
        begun = False
        for t, pressure in samples:
            begun = begun or abs(pressure - self.rest) <= 0.4 * MIN_RISE_CMH2O
            if begun:
                self._place(t, pressure, reference, found)

    def _place(self, t: float, pressure: float, reference: str, found: Found) -> None:
        smoothed = self.smoothed
        if smoothed is None:
            smoothed = pressure
        else:
            smoothed += (pressure - smoothed) * self.smooth_share
        self.smoothed = smoothed
        if self.inspiring:
            self._inspire(t, pressure, smoothed, reference, found)
            return
        self.pressure_sum += pressure
        self.pressure_count += 1
        above = smoothed - self.rest
        if self.dip_t is not None or (
            above < -MIN_DIP_CMH2O
            and (above < -DIP_UNRESTS * self.unrest or above < -MAX_DIP_CMH2O)
        ):
            self._dip(t, pressure, smoothed, above)
        elif above > REST_SHARE * self.rise_cmh2o:
            self._leave_rest(t, pressure, smoothed, found)
        else:
            # Most samples come here, so nothing is called.
            step, creep = above * self.rest_share, self.creep_share * self.rise_cmh2o
            self.rest += step if step < creep else creep
            if smoothed < self.low:  # noqa: PLR1730 (a call here costs as much as the rest)
                self.low = smoothed
            stray = above if above >= 0.0 else -above
            self.unrest += (stray - self.unrest) * self.unrest_share
            if self.rising:
                self.resting.extend(self.rising)
                self.rising.clear()
            self.resting.append((t, pressure))
            if len(self.resting) > 2 * KEPT_REST:
                del self.resting[:-KEPT_REST]
        if t > self.look_t:
            self._time_out(t, found)

    def _time_out(self, t: float, found: Found) -> None:
        """An effort that no inflation followed, a breath that no other did."""
        self.look_t = t + LOOK_S
        if self.inspiring:
            return
        if self.effort is not None and t - self.effort.end_s > TRIGGER_S:
            found.efforts.append(self.effort)
            self.effort = None
        if self.open_breath is not None and t - self.open_breath.start_s > LONGEST_TE_S:
            self._close_unfollowed(found)

    def _leave_rest(self, t: float, pressure: float, smoothed: float, found: Found) -> None:
        if smoothed < self.low:
            # The tail of an expiration: not at rest yet.
            self.low = smoothed
            self.resting.extend(self.rising)
            self.rising.clear()
            self._keep_rest(t, pressure)
            return
        self.rising.append((t, pressure))
        if smoothed >= max(self.rest, self.low) + self.rise_cmh2o:
            self._begin(t, smoothed, found)
            return
        if len(self.rising) == 1:
            self.left_at = smoothed
        flat = smoothed - self.left_at < FLAT_SHARE * self.rise_cmh2o
        if flat and t - self.rising[0][0] > FLAT_S:
            self.rest = self.low = smoothed
            self.resting.extend(self.rising)
            self.rising.clear()

    def _keep_rest(self, t: float, pressure: float) -> None:
        self.resting.append((t, pressure))
        if len(self.resting) > 2 * KEPT_REST:
            del self.resting[:-KEPT_REST]

    def _dip(self, t: float, pressure: float, smoothed: float, above: float) -> None:
        """An effort or a gasp pulls pressure down for a moment; it moves no resting level."""
        if self.dip_t is None:
            self.dip_t, self.dip_low = t, smoothed
            self.rising.clear()
        self._keep_rest(t, pressure)
        self.dip_low = min(self.dip_low, smoothed)
        if above >= 0.5 * (self.dip_low - self.rest):
            depth = self.rest - self.dip_low
            self.effort = Effort(self.dip_t, t, depth)
            self.dip_t = None
        elif t - self.dip_t > MAX_DIP_S or self._most_of_expiration(t):
            self.rest = self.low = smoothed
            self.dip_t = None

    def _most_of_expiration(self, t: float) -> bool:
        """Whether pressure has lain under the believed rest for too much of this expiration."""
        if self.dip_t is None or self.released_t is None or self.usual.period_s is None:
            return False
        return t - self.dip_t > MAX_DIP_SHARE * (self.usual.period_s or MAX_DIP_S)

    # -- an inflation -----------------------------------------------------------------------------

    def _begin(self, t: float, smoothed: float, found: Found) -> None:
        self.inspiring = True
        self.start_rest = max(self.rest, self.low)
        self.peak = self.trough = smoothed
        self.notch = 0.0
        # They were counted as expiration; now they belong to the breath that begins.
        self.pressure_sum -= sum([p for _, p in self.rising])
        self.pressure_count -= len(self.rising)
        if self.effort is not None and t - self.effort.end_s > TRIGGER_S:
            found.efforts.append(self.effort)
            self.effort = None

    def _inspire(
        self, t: float, pressure: float, smoothed: float, reference: str, found: Found
    ) -> None:
        rising = self.rising
        if len(rising) < MAX_KEPT_SAMPLES:
            rising.append((t, pressure))
        else:
            rising[-1] = (t, pressure)
        if smoothed > self.peak:
            self.notch = max(self.notch, self.peak - self.trough)
            self.peak = self.trough = smoothed
        elif smoothed < self.trough:
            self.trough = smoothed
        amplitude = self.peak - self.start_rest
        if smoothed >= self.start_rest + RELEASE_SHARE * amplitude:
            self.released_at = None
            if len(rising) % 8 == 0 and t - rising[0][0] > self._rebase_s():
                self._look_for_raised_rest(found)
            return
        if self.released_at is None:
            self.released_at = len(rising) - 1
        if t - rising[self.released_at][0] >= self._release_hold_s():
            self._end(reference, found)

    def _release_hold_s(self) -> float:
        if self.usual.period_s is None:
            return 0.0
        return min(MAX_RELEASE_HOLD_S, RELEASE_HOLD_SHARE * self.usual.period_s)

    def _rebase_s(self) -> float:
        return max(REBASE_S, REBASE_PERIODS * (self.usual.period_s or 0.0))

    def _look_for_raised_rest(self, found: Found) -> None:
        """Pressure may still swing up from a level where it mostly rests, only higher now.

        A blocked exhalation stays up, and efforts against it pull down for a moment.
        """
        last_t, window_s = self.rising[-1][0], self._rebase_s() - 1.0
        recent = sorted(p for t, p in self.rising if last_t - t <= window_s)
        swing = recent[-1] - recent[0]
        middle = recent[len(recent) // 2] - recent[0]
        if swing >= 2.0 * MIN_AMPLITUDE_CMH2O and middle < 0.5 * swing:
            self._break(found)
            self.usual.period_s = None

    def _end(self, reference: str, found: Found) -> None:
        rising, released = self.rising, self.released_at or 0
        shape = ramp.read(self._undisturbed(), rising, released, self.start_rest, self.peak)
        ti_s = shape.end_s - shape.start_s
        height = shape.peak_cmh2o - shape.baseline_cmh2o
        let_go = _steepest_fall(rising, max(RELEASE_FALL_S, 2.0 * (self.interval_s or 0.0)))
        is_release = let_go >= RELEASE_FALL_SHARE * height
        if height >= MIN_AMPLITUDE_CMH2O and ti_s >= MIN_TI_S and is_release:
            self._report(shape, reference, found)
        else:
            self._count_rise()
        self.low = self.smoothed if self.smoothed is not None else self.start_rest
        self.inspiring = False
        self.released_at = None
        self.released_t = rising[-1][0]
        self.effort = None
        self.lost = 0
        self.resting.clear()
        rising.clear()

    def _undisturbed(self) -> list[tuple[float, float]]:
        """What lies before the rise, without the effort that started it."""
        if self.effort is None:
            return self.resting
        before = [sample for sample in self.resting if sample[0] < self.effort.start_s]
        return before if len(before) >= 3 else self.resting

    def _report(self, shape: ramp.Shape, reference: str, found: Found) -> None:
        height = shape.peak_cmh2o - shape.baseline_cmh2o
        notch = max(self.notch, self.effort.depth_cmh2o if self.effort else 0.0)
        within = self.notch >= max(MIN_NOTCH_CMH2O, NOTCH_SHARE * height)
        area = sum([p for _, p in self.rising[: shape.last + 1]]) / (shape.last + 1)
        start_s, ti_s = shape.start_s, shape.end_s - shape.start_s
        inflation = Inflation(
            start_s=start_s,
            ti_s=ti_s,
            pip_cmh2o=shape.peak_cmh2o,
            baseline_cmh2o=shape.baseline_cmh2o,
            step_cmh2o=shape.step_cmh2o,
            slope_cmh2o_per_s=shape.slope_cmh2o_per_s,
            period_s=None if self.breath_start is None else start_s - self.breath_start,
            reference=reference,
            bend=shape.bend,
            bend_sd=shape.bend_sd,
            foot_s=shape.foot_s,
            profile_cmh2o=shape.profile_cmh2o,
            ti_sd_s=hypot(shape.start_sd_s, shape.end_sd_s),
            pip_sd_cmh2o=shape.peak_sd_cmh2o,
            step_sd_cmh2o=shape.step_sd_cmh2o,
            slope_sd_cmh2o_per_s=shape.slope_sd_cmh2o_per_s,
            area_cmh2o_s=(area - shape.baseline_cmh2o) * ti_s,
            to_peak_s=shape.to_peak_s,
            effort_cmh2o=notch if within or self.effort is not None else None,
        )
        inflation.kind, inflation.why = kind_of(inflation, shape, self.usual, within)
        inflation.quality, inflation.doubt = quality_of(shape, self.rising, self.lost)
        if inflation.kind == "artefact":
            found.artefacts.append(inflation)
            self._count_rise()
            return
        self._close_open(start_s, shape.rest_scatter_cmh2o, found)
        self.usual.learn(inflation)
        rise = RISE_SHARE * self.usual.height_cmh2o
        self.rise_cmh2o = min(MAX_RISE_CMH2O, max(MIN_RISE_CMH2O, rise))
        found.inflations.append(inflation)
        self.open_breath = inflation
        self.breath_start = start_s
        self.pressure_sum, self.pressure_count = 0.0, 0
        self._count_rise()

    def _count_rise(self) -> None:
        self.pressure_sum += sum([p for _, p in self.rising])
        self.pressure_count += len(self.rising)

    # -- the breath around it ---------------------------------------------------------------------

    def _close_open(self, next_start: float, noise: float, found: Found) -> None:
        inflation = self.open_breath
        if inflation is None:
            return
        te_s = next_start - (inflation.start_s + inflation.ti_s)
        mean = self.pressure_sum / self.pressure_count if self.pressure_count else None
        found.breaths.append(Breath(inflation, te_s, mean, self._unfinished(next_start, noise)))
        self.open_breath = None

    def _unfinished(self, next_start: float, noise: float) -> float | None:
        """How much pressure fell over the last quarter of what was kept of the expiration."""
        kept = [p for t, p in self.resting if t <= next_start]
        quarter = len(kept) // 4
        if quarter < 2 or self.released_t is None:
            return None
        fell = sum(kept[-2 * quarter : -quarter]) / quarter - sum(kept[-quarter:]) / quarter
        return max(0.0, fell - 2.0 * noise / sqrt(quarter))

    def _break(self, found: Found) -> None:
        """Samples were lost: what is under way has no end and no expiratory time."""
        self._close_unfollowed(found)
        self.inspiring = False
        self.released_at = self.dip_t = self.released_t = None
        self.effort = None
        self.look_t = 0.0
        self.unplaced = []
        self.resting.clear()
        self.rising.clear()

    def _close_unfollowed(self, found: Found) -> None:
        if self.open_breath is not None:
            found.breaths.append(Breath(self.open_breath, None, None))
        self.open_breath = None
        self.breath_start = None


def _steepest_fall(samples: Sequence[tuple[float, float]], within_s: float) -> float:
    """By how much pressure fell within that time at most, after its peak."""
    pressures = [p for _, p in samples]
    first = pressures.index(max(pressures))
    fell = 0.0
    for t, p in samples[first:]:
        while samples[first][0] < t - within_s:
            first += 1
        fell = max(fell, samples[first][1] - p)
    return fell


def _closest(pressures: Sequence[float]) -> float:
    """The middle of where sorted values lie closest together."""
    count = max(1, int(CLOSE_SHARE * len(pressures)))
    starts = range(len(pressures) - count)
    widths = [pressures[at + count] - pressures[at] for at in starts]
    if not widths:
        return pressures[0]
    limit = NEARLY_AS_CLOSE * min(widths)
    at = next(at for at in starts if widths[at] <= limit)
    return pressures[at + count // 2]
