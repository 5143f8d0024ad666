"""How airway pressure rises in an inflation by constant flow: what is seen, and the law behind it.

One lung behind a resistance and a circuit (Bates, Lung Mechanics, 2009): pressure over the
baseline, `u` seconds after the start, is

    P(u) = s u + A (1 - exp(-u / tau))

with s = Q/(C + Cc), A = R Q (C/(C + Cc))^2 and tau = R C Cc/(C + Cc). With a leak the flow that
is left falls as pressure rises.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from statistics import median
from typing import Final

from service.signals.kinds import Inflation
from service.signals.ramp import PROFILE_AT

#: An inflation read worse than this is not used.
LEAST_QUALITY: Final = 0.5
#: Least standard errors: what a lung varies by and no model holds closer.
PRESSURE_SD_SHARE: Final = 0.015
TIME_SD_SHARE: Final = 0.015
BEND_SD: Final = 0.08
#: A foot of this share of the inflation bends the ramp by about twice as much.
BEND_PER_FOOT: Final = 2.0
#: Where factors are looked for, and how closely.
RUNGS: Final = 16
NARROWINGS: Final = 10
GOLDEN: Final = (math.sqrt(5.0) - 1.0) / 2.0
LEAK_BOUNDS: Final = (0.005, 0.99)
#: A leak belongs to the baseline when it explains so much of how its ramp flags.
LEAK_SEEN_CHI2: Final = 9.0
_TO_SD: Final = 1.48
_AT: Final = (*PROFILE_AT, 1.0)


@dataclass(slots=True)
class Marks:
    """What one or several inflations show. Pressures over the baseline in cmH2O, times in s.

    `profile` holds pressures at `PROFILE_AT` of `ti_s`; `bend` is the slope of the ramp at its end
    over that at its start. `slope`, `step` and `foot_s` are those of the fitted ramp, and matter
    only in the baseline. `noise` is the error of a pressure, `scatter` by how much those of one
    inflation differ from another's, known only of several.
    """

    ti_s: float
    driving: float
    baseline: float
    profile: list[float]
    slope: float
    step: float
    step_sd: float
    foot_s: float
    ti_sd: float
    noise: float
    bend: float | None = None
    bend_sd: float = 0.0
    scatter: float = 0.0
    start_s: float = 0.0
    quality: float = 1.0
    doubt: str = ""


def marks_of(inflation: Inflation) -> Marks | None:
    """The marks of an inflation; None where its ramp could not be read well enough."""
    slope, step = inflation.slope_cmh2o_per_s, inflation.step_cmh2o
    if inflation.kind != "ventilator" or inflation.quality < LEAST_QUALITY:
        return None
    if inflation.profile_cmh2o is None or slope is None or step is None or slope <= 0.0:
        return None
    return Marks(
        ti_s=inflation.ti_s,
        driving=inflation.driving_cmh2o,
        baseline=inflation.baseline_cmh2o,
        profile=list(inflation.profile_cmh2o),
        slope=slope,
        step=step,
        step_sd=inflation.step_sd_cmh2o or 0.0,
        foot_s=inflation.foot_s or 0.0,
        ti_sd=inflation.ti_sd_s,
        noise=inflation.pip_sd_cmh2o,
        bend=inflation.bend,
        bend_sd=inflation.bend_sd or 0.0,
        start_s=inflation.start_s,
        quality=inflation.quality,
        doubt=inflation.doubt,
    )


def together(marks: Sequence[Marks]) -> Marks:
    """Medians of several, with the errors of these."""
    root = math.sqrt(len(marks))
    times = [m.ti_s for m in marks]
    ti_s = median(times)
    profile = [median(column) for column in zip(*(m.profile for m in marks), strict=True)]
    strays = (map(_distance, m.profile, profile) for m in marks)
    bends = [m.bend for m in marks if m.bend is not None]
    worst = min(marks, key=lambda m: m.quality)
    return Marks(
        ti_s=ti_s,
        driving=median(m.driving for m in marks),
        baseline=median(m.baseline for m in marks),
        profile=profile,
        slope=median(m.slope for m in marks),
        step=median(m.step for m in marks),
        step_sd=_usual_error([m.step_sd for m in marks]) / root,
        foot_s=median(m.foot_s for m in marks),
        ti_sd=max(
            _TO_SD * median(abs(t - ti_s) for t in times), _usual_error([m.ti_sd for m in marks])
        )
        / root,
        noise=median(m.noise for m in marks) / root,
        bend=median(bends) if len(bends) == len(marks) else None,
        bend_sd=median(m.bend_sd for m in marks) / root,
        scatter=_TO_SD * median(chain.from_iterable(strays)),
        start_s=marks[0].start_s,
        quality=worst.quality,
        doubt=worst.doubt,
    )


def _distance(one: float, other: float) -> float:
    return abs(one - other)


def _usual_error(errors: Sequence[float]) -> float:
    """The lower quartile: now and then the foot of a ramp tells no error of its own."""
    return sorted(errors)[len(errors) // 4]


@dataclass(slots=True)
class Rise:
    """How pressure rises over the baseline: s, A, tau, and the leak.

    `lost_per_cmh2o` is the share of the flow that leaks for each cmH2O of airway pressure, which
    is `baseline` at the start. `left` is what the form leaves unexplained at `PROFILE_AT`,
    `left_bend` the same of the bend.
    """

    slope: float
    step: float
    foot_s: float
    baseline: float
    lost_per_cmh2o: float = 0.0
    left: tuple[float, ...] = ()
    left_bend: float = 0.0

    def at(self, u: float) -> float:
        """Pressure over the baseline in cmH2O, `u` seconds after the start."""
        step = self.step
        if self.foot_s > 0.0:
            step *= -math.expm1(-u / self.foot_s)
        lost = self.lost_per_cmh2o
        if lost <= 0.0:
            return self.slope * u + step
        # What leaks is missing from the flow: the lung fills towards 1/lost and not for ever.
        base = max(0.0, self.baseline)
        filled = -math.expm1(-self.slope * lost * u / (1.0 + lost * step))
        lung = base + (1.0 / lost - base) * filled
        return (lung + step) / (1.0 + lost * step) - base

    def bend(self, u: float) -> float:
        """Slope after `u` seconds over that at the start, the foot left out."""
        if self.lost_per_cmh2o <= 0.0:
            return 1.0
        lost = self.lost_per_cmh2o
        return math.exp(-self.slope * lost * u / (1.0 + lost * self.step))


def chi2_of(rise: Rise, usual: Marks, now: Marks) -> float:
    """Squared distance, in standard errors, of the last breaths from a predicted rise."""
    time_sd = math.hypot(usual.ti_sd, now.ti_sd, TIME_SD_SHARE * now.ti_s)
    noise = math.hypot(usual.noise, now.noise, PRESSURE_SD_SHARE * now.driving)
    total = before = before_u = 0.0
    left = (*rise.left, 0.0) if rise.left else (0.0,) * len(_AT)
    pressures = (*now.profile, now.driving)
    for share, pressure, more in zip(_AT, pressures, left, strict=True):
        u = share * now.ti_s
        predicted = rise.at(u)
        # An error of time counts by how steeply pressure rises there.
        steep = (predicted - before) / (u - before_u)
        off = pressure - predicted - more
        total += off * off / (noise * noise + (steep * time_sd) ** 2)
        before, before_u = predicted, u
    if now.bend is not None and usual.bend is not None:
        foot = BEND_PER_FOOT * rise.foot_s / now.ti_s
        off = now.bend - rise.bend(now.ti_s) - rise.left_bend
        total += off * off / (usual.bend_sd**2 + now.bend_sd**2 + BEND_SD**2 + foot * foot)
    return total


def best(
    model: Callable[[float], Rise], bounds: tuple[float, float], usual: Marks, now: Marks
) -> tuple[float, float]:
    """The factor of least chi squared and that: along a ladder of ratios, then between rungs."""
    low, high = bounds
    ratio = (high / low) ** (1.0 / RUNGS)
    ladder = [low * ratio**rung for rung in range(RUNGS + 1)]
    costs = [chi2_of(model(factor), usual, now) for factor in ladder]
    at = min(range(len(ladder)), key=costs.__getitem__)
    low, high = ladder[max(0, at - 1)], ladder[min(RUNGS, at + 1)]
    one, two = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
    cost_one, cost_two = chi2_of(model(one), usual, now), chi2_of(model(two), usual, now)
    for _ in range(NARROWINGS):
        if cost_one < cost_two:
            high, two, cost_two = two, one, cost_one
            one = high - GOLDEN * (high - low)
            cost_one = chi2_of(model(one), usual, now)
        else:
            low, one, cost_one = one, two, cost_two
            two = low + GOLDEN * (high - low)
            cost_two = chi2_of(model(two), usual, now)
    return (one, cost_one) if cost_one < cost_two else (two, cost_two)


def baseline_rise(usual: Marks) -> Rise:
    """The rise that the baseline's breaths follow; with a leak where they flag beyond doubt."""
    step = max(0.0, usual.step)
    bare = Rise(usual.slope, step, usual.foot_s, usual.baseline)
    peak = usual.baseline + usual.driving
    if peak <= 0.0:
        return _with_left(bare, usual)

    def leaking(lost: float) -> Rise:
        rise = replace(bare, lost_per_cmh2o=lost / peak)
        # The slope with which it reaches the peak when it did: a few steps of the secant suffice.
        for _ in range(4):
            rise.slope *= max(0.3, usual.driving / max(rise.at(usual.ti_s), 0.1))
        return rise

    lost, chi2 = best(leaking, LEAK_BOUNDS, usual, usual)
    if chi2_of(bare, usual, usual) - chi2 < LEAK_SEEN_CHI2:
        return _with_left(bare, usual)
    return _with_left(leaking(lost), usual)


def _with_left(rise: Rise, usual: Marks) -> Rise:
    left = (
        pressure - rise.at(share * usual.ti_s)
        for share, pressure in zip(PROFILE_AT, usual.profile, strict=True)
    )
    bend = 0.0 if usual.bend is None else usual.bend - rise.bend(usual.ti_s)
    return replace(rise, left=tuple(left), left_bend=bend)


def with_other_flow(still: Rise, factor: float) -> Rise:
    """The same lung with `factor` times the fresh gas flow."""
    return replace(
        still,
        slope=still.slope * factor,
        step=still.step * factor,
        lost_per_cmh2o=still.lost_per_cmh2o / factor,
    )
