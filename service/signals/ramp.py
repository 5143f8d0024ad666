"""The shape of one inflation: where it begins and ends, and the ramp between.

A constant flow into lung and circuit gives pressure a step (resistance) and then an even rise
(compliance; Bates, Lung Mechanics, 2009), bent where a leak takes a growing share of the flow. The
ramp is fitted as a whole, so that noise and heartbeat average out; beginning and end are where the
samples leave its curve, found to a part of a sample where they allow it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from service.signals.foot import settle
from service.signals.lines import Curve, Sample
from service.signals.notch import under_curve, under_rims
from service.signals.onset import base_before, onset
from service.signals.profile import PROFILE_AT, profile
from service.signals.ramp_line import FIT_FROM, fit_undisturbed, last_on, middle, undisturbed
from service.signals.release import end_of, fall_time, is_slow, last_over
from service.signals.rounded import read_rounded
from service.signals.shape import Shape, flat_top, highest, scatter, since

__all__ = ["PROFILE_AT", "Shape", "read"]

#: A ramp whose samples scatter by more than the first share of its height, and by so many times
#: the scatter at rest or the second share, is none.
RAMP_SCATTER_SHARE: Final = 0.045
MAX_SCATTER_SHARE: Final = 0.12
RAMP_SCATTERS: Final = 3.0
#: Pressure that peaks by this share of its height over the end of a ramp came from no ramp.
PEAK_OVER: Final = 0.08
#: Nor is one that sinks by this share.
SINK_SHARE: Final = 0.08
#: Under this share of the height, pressure has been released.
FALLEN_SHARE: Final = 0.5
#: Only where a sample lies this share of the height under the ramp is a pit looked for.
PIT_SHARE: Final = 0.06
#: A leak bends a ramp, but its slope at the end is more than this share of that at its start.
ROUND_BEND: Final = 0.25
#: The start may lie so long before the first guess.
FOOT_BEFORE_S: Final = 0.3


def read(
    resting: Sequence[Sample], rise: Sequence[Sample], released: int, rest: float, peak: float
) -> Shape:
    """Read one inflation.

    `resting` are (time s, pressure) before the threshold, `rise` those from there until pressure
    was released at index `released`; `rest` and `peak` are its rough levels.
    """
    height = peak - rest
    half = last_over(rise, released, rest + FALLEN_SHARE * height)
    noise = scatter(resting)
    limit = height * max(RAMP_SCATTER_SHARE, min(MAX_SCATTER_SHARE, RAMP_SCATTERS * noise / height))
    curve = fit_undisturbed(middle(rise, half, rest, height), limit)
    last = last_on(rise, half, curve, height)
    if last > 8:
        curve = fit_undisturbed(middle(rise, last, rest, height), limit)
        last = last_on(rise, half, curve, height)
    fall_s = rise[min(half + 1, len(rise) - 1)][0] - rise[last][0]
    length_s = max(1e-6, rise[half][0] - rise[0][0])
    top = curve.at(rise[last][0])
    no_ramp = curve.scatter > limit or peak > top + max(limit, PEAK_OVER * height)
    sinks = -curve.slope * (rise[last][0] - rise[0][0]) > SINK_SHARE * height
    if no_ramp or sinks or last < 1 or fall_s > 0.3 * length_s + 0.12:
        return read_rounded(resting, rise, half, rest, peak, limit)
    if _clipped(rise, last, half):
        return read_rounded(resting, rise, half, rest, peak, limit)
    shape = _ramp(resting, rise, last, half, curve, rest, height)
    is_round = shape.bend is not None and shape.bend < ROUND_BEND
    if is_round and is_slow(shape.fall_s, shape.end_s - shape.start_s):
        # It only looks like a bent ramp: round at the top and let go slowly, by hand.
        return read_rounded(resting, rise, half, rest, peak, limit)
    return shape


def _ramp(
    resting: Sequence[Sample],
    rise: Sequence[Sample],
    last: int,
    half: int,
    curve: Curve,
    rest: float,
    height: float,
) -> Shape:
    end_s, end_sd_s = end_of(rise, last, curve, rest, height)
    base, base_sd, base_scatter = base_before(resting, curve, rest, end_s)
    noise = max(curve.scatter, base_scatter)
    start_s, start_sd_s = onset(resting, rise, last, curve, base, base_sd, noise)
    ramp = undisturbed(rise[: last + 1], curve, height)
    foot = settle(since(resting, start_s - FOOT_BEFORE_S), ramp, curve, base, start_s, end_s)
    if foot is not None and foot.curve.slope >= 0.0:
        start_s, start_sd_s, curve = foot.start_s, foot.sd_s, foot.curve
        end_s, end_sd_s = end_of(rise, last, curve, rest, height)
    peak = curve.at(end_s)
    slope_start = curve.slope_at(start_s)
    bend, bend_sd = _bend(curve, start_s, end_s)
    step = curve.at(start_s) - base
    step_sd = math.hypot(curve.sd_at(start_s), base_sd, slope_start * start_sd_s)
    top = highest(rise, last)
    telling = curve.count >= 4 and end_s > start_s
    return Shape(
        start_s=start_s,
        end_s=end_s,
        start_sd_s=start_sd_s,
        end_sd_s=end_sd_s,
        baseline_cmh2o=base,
        peak_cmh2o=peak,
        peak_sd_cmh2o=math.hypot(curve.sd_at(end_s), curve.slope * end_sd_s),
        to_peak_s=rise[top][0] - start_s,
        is_ramp=True,
        step_cmh2o=step if telling else None,
        step_sd_cmh2o=step_sd if telling else None,
        slope_cmh2o_per_s=curve.slope if telling else None,
        slope_sd_cmh2o_per_s=curve.slope_sd if telling else None,
        bend=bend if telling else None,
        bend_sd=bend_sd if telling else None,
        foot_s=None if foot is None else foot.tau_s,
        profile_cmh2o=profile(resting, rise, last, start_s, end_s, base),
        residual_cmh2o=curve.scatter,
        rest_scatter_cmh2o=base_scatter,
        last=last,
        notch_cmh2o=_notch(rise[: last + 1], curve, height),
        fall_s=fall_time(rise, half, base),
    )


def _notch(ramp: Sequence[Sample], curve: Curve, height: float) -> float:
    """What an effort pulled the ramp down, past its foot."""
    depth = under_curve(ramp[int(FIT_FROM * len(ramp)) :], curve, PIT_SHARE * height)
    # A long effort bends the curve with it.
    return max(depth, under_rims(ramp)) if depth > 0.0 else 0.0


def _clipped(rise: Sequence[Sample], last: int, half: int) -> bool:
    """Whether pressure left the ramp for the limit of the sensor, not for its release."""
    after = rise[last + 1 : half + 1]
    return bool(after) and flat_top(after, max([p for _, p in rise]))


def _bend(curve: Curve, start_s: float, end_s: float) -> tuple[float | None, float | None]:
    """Slope at the end over slope at the start, and its standard error."""
    if not math.isfinite(curve.bow_sd) or curve.slope <= 0.0:
        return None, None
    at_start = curve.slope + 2.0 * curve.bow * (start_s - curve.centre_s)
    at_end = curve.slope + 2.0 * curve.bow * (end_s - curve.centre_s)
    if at_start <= 0.1 * curve.slope:
        return None, None
    return at_end / at_start, 2.0 * curve.bow_sd * (end_s - start_s) / curve.slope
