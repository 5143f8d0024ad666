"""The capnogram: CO2 that rises and falls as a breath does, sample by sample.

A breath is a turn up and a turn down of CO2, each larger than a share of the usual swing and than
the noise; a high but flat CO2 is none. It is known when CO2 has fallen again, and is then read
from its points (`capnogram_shape`). Results do not depend on how samples were cut into blocks.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from service.signals.assembly import JITTER_S
from service.signals.capnogram_points import Points
from service.signals.capnogram_quality import Judged, judged
from service.signals.capnogram_shape import Shape, shape_of

#: CO2 must turn by at least this much (mmHg), by this share of the usual swing, by so many
#: deviations of the noise, and by this share of its level: what the heart does to gas that stands
#: still is no breath.
MIN_TURN_MMHG: Final = 3.0
TURN_SHARE: Final = 0.4
TURN_SD: Final = 9.0
LEVEL_SHARE: Final = 0.3
#: While breaths go on the level counts from what was inspired: gas that is breathed in again leaves
#: less of a turn. They go on for so many periods after the last.
GOES_ON_PERIODS: Final = 2.0
SOONEST_SHARE: Final = 0.5
#: The usual swing fades when nothing turns, so that a smaller breath is seen again.
FADE_TAU_S: Final = 15.0
#: The turning points follow a slow drift of CO2, so only a quick turn is one.
DRIFT_TAU_S: Final = 3.0
MAX_LOST_S: Final = 0.5
#: The lowest inspired CO2 seen tells the analyser's zero; it may creep up so fast (mmHg/s).
ZERO_CREEP_MMHG_PER_S: Final = 3.0 / 3600.0
#: Points kept of one breath; beyond that every second of the older ones goes.
MAX_POINTS: Final = 600


@dataclass(slots=True)
class Co2Breath:
    """One expiration seen in CO2. Times in s (device time), pressures in mmHg."""

    #: When CO2 began to rise (phase II).
    start_s: float
    #: When it had fallen again: the breath is known from here on.
    end_s: float
    #: CO2 at the end of the expiration, as measured.
    etco2_mmhg: float
    #: CO2 of the inspiration before it; None when that was not seen.
    fico2_mmhg: float | None
    period_s: float | None
    reference: str
    #: When the inspired baseline began, when CO2 had risen (phase III), when it fell (phase 0).
    baseline_s: float | None = None
    plateau_s: float | None = None
    down_s: float | None = None
    #: Whether inspired CO2 stood still; None when too little of it was seen.
    fico2_flat: bool | None = None
    #: Slope of the plateau; None when there is no plateau.
    slope_mmhg_per_s: float | None = None
    #: A dip in the plateau, as of a diaphragm effort.
    notch_s: float | None = None
    notch_mmhg: float | None = None
    #: Steps at the pulse on the plateau: height from low to high, and rate.
    ripple_mmhg: float | None = None
    ripple_per_min: float | None = None
    #: From 0 to 1, and what is wrong when under 1.
    quality: float = 1.0
    why: str = ""

    @property
    def expired_s(self) -> float:
        """Expiratory time: from the rise of CO2 to its fall."""
        return (self.end_s if self.down_s is None else self.down_s) - self.start_s

    @property
    def plateau_lasts_s(self) -> float | None:
        """How long the plateau lasts; None when there is none."""
        if self.slope_mmhg_per_s is None or self.plateau_s is None or self.down_s is None:
            return None
        return self.down_s - self.plateau_s


@dataclass(slots=True)
class Capnogram:
    """The streaming state of one CO2 channel."""

    begun: bool = False
    rising: bool | None = None
    # Turning points that follow a slow drift.
    highest: float = 0.0
    lowest: float = 0.0
    swing: float = 10.0
    last_t: float | None = None
    point_t: float | None = None
    last_start: float | None = None
    #: Of the last breath that came in its time: its period, CO2 inspired before it (mmHg), and
    #: until when it shows that breaths go on.
    usual_period: float | None = None
    inspired: float = 0.0
    goes_on_until: float = 0.0
    #: The lowest inspired CO2 so far (mmHg), and when that was judged.
    zero: float | None = None
    zero_t: float = 0.0
    points: Points = field(default_factory=Points)
    # The points since the last fall began, where among them CO2 had surely risen, and how many
    # samples were lost.
    times: list[float] = field(default_factory=list)
    values: list[float] = field(default_factory=list)
    risen: int | None = None
    after_fall: bool = False
    lost: int = 0
    # Since when all samples have been the same, to the bit.
    same: float | None = None
    same_since: float = 0.0

    def feed(
        self, samples: Iterable[tuple[float, float | None]], reference: str
    ) -> list[Co2Breath]:
        """Take (time s, CO2 mmHg or None) in time order; returns the breaths completed."""
        breaths: list[Co2Breath] = []
        for t, co2 in samples:
            if co2 is None:
                self.lost += 1
                continue
            dt = 0.0 if self.last_t is None else t - self.last_t
            if not -JITTER_S <= dt <= MAX_LOST_S:
                self._forget()
                dt = 0.0
            self.last_t = t
            if co2 != self.same:
                self.same, self.same_since = co2, t
            for at, value in self.points.add(t, co2, dt):
                self._take(at, value, reference, breaths)
        return breaths

    def _take(self, t: float, co2: float, reference: str, breaths: list[Co2Breath]) -> None:
        dt = 0.0 if self.point_t is None else max(0.0, t - self.point_t)
        self.point_t = t
        self.swing -= self.swing * min(1.0, dt / FADE_TAU_S)
        inspired = self.inspired if t <= self.goes_on_until else 0.0
        turn = max(
            MIN_TURN_MMHG,
            TURN_SHARE * self.swing,
            TURN_SD * self.points.noise_mmhg,
            LEVEL_SHARE * ((self.highest if self.rising else co2) - inspired),
        )
        self._keep(t, co2)
        if self.rising is None:
            self._start(t, co2, turn)
        elif self.rising:
            self._expiring(t, co2, dt, turn, reference, breaths)
        else:
            self._inspiring(co2, dt, turn)

    def _follow_regular(self, start_s: float, period_s: float | None, inspired: float) -> None:
        """What comes much too soon, as the heart's ripple, does not show that breaths go on."""
        if period_s is None:
            return
        usual = self.usual_period
        too_soon = usual is not None and period_s < SOONEST_SHARE * usual
        if too_soon and start_s <= self.goes_on_until:
            return
        self.usual_period, self.inspired = period_s, max(0.0, inspired)
        self.goes_on_until = start_s + GOES_ON_PERIODS * period_s

    def _keep(self, t: float, co2: float) -> None:
        if len(self.times) >= MAX_POINTS:
            self._thin()
        self.times.append(t)
        self.values.append(co2)

    def _thin(self) -> None:
        """Drop every second point: of the expiration if that has most of them, else of all."""
        if self.risen is not None and self.risen < MAX_POINTS // 2:
            del self.times[self.risen + 1 :: 2]
            del self.values[self.risen + 1 :: 2]
            return
        del self.times[1::2]
        del self.values[1::2]
        if self.risen is not None:
            self.risen = (self.risen + 1) // 2

    def _start(self, t: float, co2: float, turn: float) -> None:
        if not self.begun:
            self.begun = True
            self.highest = self.lowest = co2
        self.highest = max(self.highest, co2)
        self.lowest = min(self.lowest, co2)
        if self.highest - co2 >= turn:
            self._turn_down(co2, len(self.times) - 1, after_fall=False)
        elif co2 - self.lowest >= turn:
            self._turn_up(co2)

    def _turn_up(self, co2: float) -> None:
        self.rising = True
        self.highest = co2
        self.risen = len(self.times) - 1

    def _turn_down(self, co2: float, keep_from: int, *, after_fall: bool) -> None:
        self.rising = False
        self.lowest = co2
        del self.times[:keep_from]
        del self.values[:keep_from]
        self.risen, self.after_fall, self.lost = None, after_fall, 0

    def _expiring(
        self,
        t: float,
        co2: float,
        dt: float,
        turn: float,
        reference: str,
        breaths: list[Co2Breath],
    ) -> None:
        if co2 > self.highest:
            self.highest = co2
        elif self.highest - co2 < turn:
            self.highest += (co2 - self.highest) * min(1.0, dt / DRIFT_TAU_S)
        elif self.risen is not None:
            shape = shape_of(
                self.times,
                self.values,
                self.risen,
                self.points.noise_mmhg,
                after_fall=self.after_fall,
            )
            breaths.append(self._breath(t, shape, reference))
            self._turn_down(co2, bisect_left(self.times, shape.down_s), after_fall=True)

    def _breath(self, t: float, shape: Shape, reference: str) -> Co2Breath:
        made = judged(shape, self.values, self.points.noise_mmhg, self.lost)
        period = None if self.last_start is None else shape.start_s - self.last_start
        self.last_start = shape.start_s
        self._follow_regular(shape.start_s, period, shape.inspired_mmhg)
        self.swing = shape.etco2_mmhg - shape.inspired_mmhg
        self._follow_zero(t, shape.inspired_mmhg)
        return _as_breath(t, shape, period, made, reference)

    def _follow_zero(self, t: float, inspired: float) -> None:
        if self.zero is not None:
            crept = self.zero + ZERO_CREEP_MMHG_PER_S * max(0.0, t - self.zero_t)
            inspired = min(inspired, crept)
        self.zero, self.zero_t = inspired, t

    def _inspiring(self, co2: float, dt: float, turn: float) -> None:
        if co2 <= self.lowest:
            self.lowest = co2
        elif co2 - self.lowest >= turn:
            self._turn_up(co2)
        else:
            self.lowest += (co2 - self.lowest) * min(1.0, dt / DRIFT_TAU_S)

    def _forget(self) -> None:
        """Samples were lost: the breath under way is not counted."""
        self.begun, self.rising, self.risen = False, None, None
        self.point_t = self.last_start = self.usual_period = self.same = None
        self.goes_on_until = 0.0
        self.after_fall, self.lost = False, 0
        self.times.clear()
        self.values.clear()
        self.points.forget()


def _as_breath(
    t: float, shape: Shape, period: float | None, made: Judged, reference: str
) -> Co2Breath:
    notch, ripple = shape.notch, shape.ripple
    return Co2Breath(
        start_s=shape.start_s,
        end_s=t,
        etco2_mmhg=shape.etco2_mmhg,
        fico2_mmhg=shape.inspired_mmhg,
        period_s=period,
        reference=reference,
        baseline_s=shape.baseline_s,
        plateau_s=shape.plateau_s,
        down_s=shape.down_s,
        fico2_flat=shape.inspired_flat,
        slope_mmhg_per_s=shape.slope,
        notch_s=notch.at_s if notch else None,
        notch_mmhg=notch.depth_mmhg if notch else None,
        ripple_mmhg=ripple.height_mmhg if ripple else None,
        ripple_per_min=ripple.rate_per_min if ripple else None,
        quality=made.quality,
        why=made.why,
    )
