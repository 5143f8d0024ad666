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
from typing import Final

from service.signals import ramp
from service.signals.dips import DIP_UNRESTS, MAX_DIP_CMH2O, MIN_DIP_CMH2O, Dips
from service.signals.found import Breath, Found
from service.signals.kinds import Effort, Inflation, Usual
from service.signals.lines import Sample
from service.signals.pace import Pace
from service.signals.report import inflation_of, judge, was_released
from service.signals.rest import closest
from service.signals.rise import Rise
from service.signals.shape import Shape
from service.signals.under_way import UnderWay

__all__ = ["Breath", "BreathFinder", "Effort", "Found", "Inflation"]

#: A rise of this share of a usual inflation over rest may be one, within these bounds (cmH2O).
RISE_SHARE: Final = 0.25
MIN_RISE_CMH2O: Final = 1.0
MAX_RISE_CMH2O: Final = 3.0
#: Pressure within this share of that rise is at rest.
REST_SHARE: Final = 0.35
#: Pressure over rest that has risen by less than this share of a rise in this time has a new rest.
FLAT_SHARE: Final = 0.15
FLAT_S: Final = 0.4
#: A breath that no other follows for this long is closed, its expiratory time unknown.
LONGEST_TE_S: Final = 60.0
LOOK_S: Final = 0.1
KEPT_REST: Final = 500
#: After a start or a loss so many seconds tell the resting pressure.
LEARN_REST_S: Final = 3.0


@dataclass(slots=True)
class BreathFinder:
    """The streaming state of one pressure channel."""

    pace: Pace = field(default_factory=Pace)
    last_t: float | None = None
    lost: int = 0
    look_t: float = 0.0
    # Samples since a start or a loss, until they tell what the resting pressure is.
    unplaced: list[Sample] | None = field(default_factory=list)
    # The resting level, how far pressure strays from it, and what is usual of inflations: so the
    # rise that may be one.
    rest: float = 0.0
    unrest: float = 0.1
    smoothed: float | None = None
    usual: Usual = field(default_factory=Usual)
    rise_cmh2o: float = RISE_SHARE * 5.0
    # What lies before the rise that may be an inflation, and the rise.
    resting: list[Sample] = field(default_factory=list)
    inspiring: bool = False
    rise: Rise = field(default_factory=Rise)
    # The lowest pressure since the last release: a tail that still falls is no rise.
    low: float = 0.0
    left_at: float = 0.0
    dips: Dips = field(default_factory=Dips)
    under_way: UnderWay = field(default_factory=UnderWay)

    def feed(self, samples: Iterable[tuple[float, float | None]], reference: str) -> Found:
        """Take (time s, pressure cmH2O or None) in time order; returns what was found."""
        found, pace = Found(), self.pace
        for t, pressure in samples:
            if pressure is None:
                self.lost += 1
                continue
            last_t = self.last_t
            self.last_t = t
            if (
                last_t is not None
                and not pace.soonest_s <= t - last_t <= pace.latest_s
                and pace.follow(t - last_t)
            ):
                self._break(found)
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
        return self.rise.samples[0][0] if self.inspiring and self.rise.samples else None

    # -- at rest -----------------------------------------------------------------------------------

    def _learn_rest(self, reference: str, found: Found) -> None:
        """Most samples lie at rest, whatever the phase; what comes before is part of a breath."""
        samples, self.unplaced = self.unplaced or [], None
        self.rest = self.low = closest(sorted(pressure for _, pressure in samples))
        self.smoothed = None
        begun = False
        for t, pressure in samples:
            begun = begun or abs(pressure - self.rest) <= 0.4 * MIN_RISE_CMH2O
            if begun:
                self._place(t, pressure, reference, found)

    def _place(self, t: float, pressure: float, reference: str, found: Found) -> None:
        smoothed, pace = self.smoothed, self.pace
        if smoothed is None:
            smoothed = pressure
        else:
            smoothed += (pressure - smoothed) * pace.smooth_share
        self.smoothed = smoothed
        if self.inspiring:
            state = self.rise.follow(t, pressure, smoothed, self.usual)
            if state != "up":
                self._leave_rise(state, reference, found)
            return
        under_way = self.under_way
        under_way.pressure_sum += pressure
        under_way.pressure_count += 1
        above = smoothed - self.rest
        if self.dips.start_s is not None or (
            above < -MIN_DIP_CMH2O
            and (above < -DIP_UNRESTS * self.unrest or above < -MAX_DIP_CMH2O)
        ):
            self._dip(t, pressure, smoothed, found)
        elif above > REST_SHARE * self.rise_cmh2o:
            self._leave_rest(t, pressure, smoothed, found)
        else:
            # Most samples come here, so nothing is called.
            step, creep = above * pace.rest_share, pace.creep_share * self.rise_cmh2o
            self.rest += step if step < creep else creep
            if smoothed < self.low:  # noqa: PLR1730 (a call here costs as much as the rest)
                self.low = smoothed
            stray = above if above >= 0.0 else -above
            self.unrest += (stray - self.unrest) * pace.unrest_share
            if self.rise.samples:
                self._drop_rise()
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
        found.efforts += self.dips.unanswered(t)
        inflation = self.under_way.inflation
        if inflation is not None and t - inflation.start_s > LONGEST_TE_S:
            found.breaths += self.under_way.close_unfollowed()

    def _leave_rest(self, t: float, pressure: float, smoothed: float, found: Found) -> None:
        if smoothed < self.low:
            # The tail of an expiration: not at rest yet.
            self.low = smoothed
            self._drop_rise()
            self._keep_rest(t, pressure)
            return
        rising = self.rise.samples
        rising.append((t, pressure))
        if smoothed >= max(self.rest, self.low) + self.rise_cmh2o:
            self._begin(t, smoothed, found)
            return
        if len(rising) == 1:
            self.left_at = smoothed
        flat = smoothed - self.left_at < FLAT_SHARE * self.rise_cmh2o
        if flat and t - rising[0][0] > FLAT_S:
            self.rest = self.low = smoothed
            self._drop_rise()

    def _drop_rise(self) -> None:
        """It was none: its samples lie at rest."""
        self.resting.extend(self.rise.samples)
        self.rise.samples.clear()

    def _keep_rest(self, t: float, pressure: float) -> None:
        self.resting.append((t, pressure))
        if len(self.resting) > 2 * KEPT_REST:
            del self.resting[:-KEPT_REST]

    def _dip(self, t: float, pressure: float, smoothed: float, found: Found) -> None:
        if self.dips.start_s is None:
            self.low = min(self.low, self.rest)
            found.efforts += self.dips.begin(t, smoothed)
        self.rise.samples.clear()
        self._keep_rest(t, pressure)
        is_expiring = self.under_way.released_s is not None
        period_s = self.usual.period_s if is_expiring else None
        if self.dips.follow(t, smoothed, self.rest, period_s):
            self.rest = self.low = smoothed

    # -- an inflation -----------------------------------------------------------------------------

    def _begin(self, t: float, smoothed: float, found: Found) -> None:
        self.inspiring = True
        lower = self.dips.lower_rest(self.rise.samples[0][0])
        if lower is not None:
            self.rest = self.low = lower
        self.rise.begin(max(self.rest, self.low), smoothed)
        # They were counted as expiration; now they belong to the breath that begins.
        self.under_way.count(self.rise.samples, -1)
        found.efforts += self.dips.unanswered(t)

    def _leave_rise(self, state: str, reference: str, found: Found) -> None:
        if state == "released":
            self._end(reference, found)
        else:
            self._break(found)
            self.usual.period_s = None

    def _end(self, reference: str, found: Found) -> None:
        rise = self.rise
        rising = rise.samples
        resting = self.dips.without_effort(self.resting)
        shape = ramp.read(resting, rising, rise.released_at or 0, rise.rest, rise.peak)
        is_artefact = False
        if was_released(shape, rise, self.pace.interval_s or 0.0):
            is_artefact = not self._report(shape, resting, reference, found)
        self.under_way.count(rising)
        self.low = self.smoothed if self.smoothed is not None else rise.rest
        self.inspiring = False
        self.under_way.released_s = rising[-1][0]
        found.efforts += self.dips.give_up()
        self.lost = 0
        if is_artefact:
            self._go_on_after_artefact(reference, found)
            return
        self.under_way.falling = rising[rise.released_at or 0 :]
        self.resting.clear()
        rise.clear()

    def _go_on_after_artefact(self, reference: str, found: Found) -> None:
        """The next inflation may have begun while the artefact's release was waited for."""
        rise = self.rise
        tail = rise.samples[rise.released_at or 0 :]
        rise.clear()
        self.smoothed = self.low = tail[0][1]
        self.under_way.count(tail, -1)
        for t, pressure in tail[1:]:
            self._place(t, pressure, reference, found)

    def _report(
        self, shape: Shape, resting: Sequence[Sample], reference: str, found: Found
    ) -> bool:
        """Report an inflation, or an artefact: then False."""
        under_way, effort = self.under_way, self.dips.effort
        inflation = inflation_of(shape, resting, self.rise, effort, under_way.start_s, reference)
        te_s = under_way.te_s(inflation.start_s)
        judge(inflation, shape, self.rise, self.usual, te_s, self.lost)
        if inflation.kind == "artefact":
            found.artefacts.append(inflation)
            self.usual.passed_over += 1
            return False
        self.dips.effort = None
        found.breaths += under_way.close(inflation.start_s, self.resting)
        self.usual.learn(inflation, te_s)
        rise = RISE_SHARE * self.usual.height_cmh2o
        self.rise_cmh2o = min(MAX_RISE_CMH2O, max(MIN_RISE_CMH2O, rise))
        found.inflations.append(inflation)
        under_way.begin(inflation)
        return True

    # -- no end -----------------------------------------------------------------------------------

    def _break(self, found: Found) -> None:
        """Samples were lost: what is under way has no end and no expiratory time."""
        found.breaths += self.under_way.close_unfollowed()
        self.inspiring = False
        self.under_way.released_s = None
        found.efforts += self.dips.give_up()
        self.dips.clear()
        self.look_t = 0.0
        self.unplaced = []
        self.resting.clear()
        self.rise.clear()
