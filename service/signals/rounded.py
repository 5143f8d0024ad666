"""An inflation of another form than a ramp: a squeezed bag, or one with a pause."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from service.signals.lines import Sample, fit
from service.signals.notch import under_rims
from service.signals.onset import REST_S, onset
from service.signals.ramp_line import middle
from service.signals.release import before_fall, fall_time
from service.signals.shape import Shape, highest, scatter

#: Further under the level followed (cmH2O), samples before a start are a gasp and not rest.
REST_NEAR_CMH2O: Final = 0.5
#: Samples that span less may be the upswing out of an effort.
NEAR_S: Final = 0.07
#: Start and end of such an inflation are known to about so much, and it is no noisier than this.
ROUND_SD_S: Final = 0.02
MAX_NOISE_SHARE: Final = 0.03


def read_rounded(
    resting: Sequence[Sample],
    rise: Sequence[Sample],
    half: int,
    rest: float,
    peak: float,
    limit: float,
) -> Shape:
    """A squeezed bag, or an inflation with a pause: a ramp up to its peak only, or none at all."""
    near = [s for s in resting if s[0] >= rise[0][0] - REST_S]
    is_telling = len(near) >= 3 and near[-1][0] - near[0][0] >= NEAR_S
    base = sum([p for _, p in near]) / len(near) if is_telling else rest
    if base < rest - REST_NEAR_CMH2O:
        base = rest
    height = peak - base
    last = before_fall(rise, half, height)
    top = highest(rise, last)
    curve = fit(middle(rise, top, rest, height)) if top >= 8 else None
    if curve is not None and (curve.scatter > limit or curve.slope <= 0.0):
        curve = None
    # A gasp before it is no noise.
    noise = min(scatter(resting), MAX_NOISE_SHARE * height)
    interval_s = (rise[last][0] - rise[0][0]) / max(1, last)
    if curve is not None:
        start_s, start_sd_s = onset(resting, rise, top, curve, base, noise, noise)
    else:
        start_s = _round_start(resting, rise, top, base, height)
        start_sd_s = max(interval_s, ROUND_SD_S)
    end_s = (rise[last][0] + rise[min(last + 1, len(rise) - 1)][0]) / 2.0
    return Shape(
        start_s=start_s,
        end_s=end_s,
        start_sd_s=start_sd_s,
        end_sd_s=max(interval_s, ROUND_SD_S),
        baseline_cmh2o=base,
        peak_cmh2o=peak,
        peak_sd_cmh2o=noise,
        to_peak_s=rise[top][0] - start_s,
        is_ramp=False,
        step_cmh2o=None if curve is None else curve.at(start_s) - base,
        step_sd_cmh2o=None if curve is None else curve.sd_at(start_s),
        slope_cmh2o_per_s=None if curve is None else curve.slope,
        slope_sd_cmh2o_per_s=None if curve is None else curve.slope_sd,
        bend=None,
        bend_sd=None,
        foot_s=None,
        profile_cmh2o=None,
        residual_cmh2o=limit if curve is None else curve.scatter,
        rest_scatter_cmh2o=noise,
        last=last,
        notch_cmh2o=under_rims(rise[: last + 1]),
        fall_s=fall_time(rise, half, base),
    )


def _round_start(
    resting: Sequence[Sample], rise: Sequence[Sample], last: int, base: float, height: float
) -> float:
    """The first steep part of the rise, carried back to the resting pressure."""
    first_t = resting[-1][0] if resting else rise[0][0]
    low, high = base + 0.1 * height, base + 0.5 * height
    at = 0
    while at < last and rise[at][1] < high:
        at += 1
    begin = at
    while begin > 0 and rise[begin - 1][1] > low:
        begin -= 1
    if at - begin < 2:
        before_t = rise[begin - 1][0] if begin > 0 else first_t
        return (before_t + rise[begin][0]) / 2.0
    curve = fit(rise[begin : at + 1], may_bend=False)
    if curve.slope <= 0.0:
        return first_t
    return max(first_t, min(rise[begin][0], curve.centre_s + (base - curve.middle) / curve.slope))
