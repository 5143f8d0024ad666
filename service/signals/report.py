"""An inflation as it is reported: its shape, an effort with it, its kind and quality."""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot
from typing import Final

from service.signals.kinds import Course, Effort, Inflation, Usual, kind_of, quality_of
from service.signals.lines import Sample
from service.signals.release import steepest_fall
from service.signals.rise import MIN_AMPLITUDE_CMH2O, Rise
from service.signals.shape import Shape, since

#: A dip within an inflation: this share of its height, at least so much, and so many times the
#: scatter at rest.
NOTCH_SCATTERS: Final = 6.0
NOTCH_SHARE: Final = 0.15
MIN_NOTCH_CMH2O: Final = 0.8
#: A release lets pressure fall by this share of the height within this time; what only sinks
#: slowly was no inflation.
RELEASE_FALL_SHARE: Final = 0.2
RELEASE_FALL_S: Final = 0.1
#: A hand lets go more slowly: this share of the inflation, but no longer than this.
SLOW_FALL_SHARE: Final = 0.25
SLOW_FALL_S: Final = 0.5


def was_released(shape: Shape, rise: Rise, interval_s: float) -> bool:
    """Whether the rise was high enough and let go fast enough to be an inflation or a cough."""
    height = shape.peak_cmh2o - shape.baseline_cmh2o
    if height < MIN_AMPLITUDE_CMH2O:
        return False
    by_hand_s = min(SLOW_FALL_SHARE * (shape.end_s - shape.start_s), SLOW_FALL_S)
    within_s = max(RELEASE_FALL_S, 2.0 * interval_s, by_hand_s)
    return steepest_fall(rise.samples, within_s) >= RELEASE_FALL_SHARE * height


def inflation_of(
    shape: Shape,
    resting: Sequence[Sample],
    rise: Rise,
    effort: Effort | None,
    breath_start_s: float | None,
    reference: str,
) -> Inflation:
    """What was read of one rise, without kind and quality."""
    depth = max(shape.notch_cmh2o, effort.depth_cmh2o if effort else 0.0)
    start_s, ti_s = shape.start_s, shape.end_s - shape.start_s
    return Inflation(
        start_s=start_s,
        ti_s=ti_s,
        pip_cmh2o=shape.peak_cmh2o,
        baseline_cmh2o=shape.baseline_cmh2o,
        step_cmh2o=shape.step_cmh2o,
        slope_cmh2o_per_s=shape.slope_cmh2o_per_s,
        period_s=None if breath_start_s is None else start_s - breath_start_s,
        reference=reference,
        bend=shape.bend,
        bend_sd=shape.bend_sd,
        foot_s=shape.foot_s,
        profile_cmh2o=shape.profile_cmh2o,
        ti_sd_s=hypot(shape.start_sd_s, shape.end_sd_s),
        pip_sd_cmh2o=shape.peak_sd_cmh2o,
        step_sd_cmh2o=shape.step_sd_cmh2o,
        slope_sd_cmh2o_per_s=shape.slope_sd_cmh2o_per_s,
        area_cmh2o_s=_area(shape, resting, rise.samples),
        to_peak_s=shape.to_peak_s,
        effort_cmh2o=depth if effort is not None or _within(shape) else None,
    )


def judge(
    inflation: Inflation, shape: Shape, rise: Rise, usual: Usual, te_s: float | None, lost: int
) -> None:
    """Write into the inflation of what kind it is, and how well it could be read."""
    course = Course(te_s, rise.up_s(), _within(shape))
    inflation.kind, inflation.why = kind_of(inflation, shape, usual, course)
    inflation.quality, inflation.doubt = quality_of(shape, rise.samples, lost)


def _within(shape: Shape) -> bool:
    """Whether an effort pulled against the inflation."""
    height = shape.peak_cmh2o - shape.baseline_cmh2o
    noise = NOTCH_SCATTERS * shape.rest_scatter_cmh2o
    return shape.notch_cmh2o >= max(MIN_NOTCH_CMH2O, NOTCH_SHARE * height, noise)


def _area(shape: Shape, resting: Sequence[Sample], rising: Sequence[Sample]) -> float:
    """Pressure over the baseline, integrated from start to end by trapezia."""
    before_t, before = shape.start_s, shape.baseline_cmh2o
    if shape.is_ramp and shape.step_cmh2o is not None:
        before += max(0.0, shape.step_cmh2o)
    total = 0.0
    samples = [*since(resting, shape.start_s), *rising[: shape.last + 1]]
    for t, p in [*samples, (shape.end_s, shape.peak_cmh2o)]:
        if t > before_t:
            total += (t - before_t) * (p + before) / 2.0
            before_t, before = t, p
    return total - shape.baseline_cmh2o * (before_t - shape.start_s)
