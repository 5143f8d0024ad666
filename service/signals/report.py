"""An inflation as it is reported: its shape, an effort with it, its kind and quality."""

from __future__ import annotations

from math import hypot
from typing import Final

from service.signals.kinds import Effort, Inflation, Usual, kind_of, quality_of
from service.signals.rise import Rise
from service.signals.shape import Shape

#: A dip within an inflation: this share of its height, and at least so much.
NOTCH_SHARE: Final = 0.15
MIN_NOTCH_CMH2O: Final = 0.8


def inflation_of(
    shape: Shape, rise: Rise, effort: Effort | None, breath_start_s: float | None, reference: str
) -> Inflation:
    """What was read of one rise, without kind and quality."""
    height = shape.peak_cmh2o - shape.baseline_cmh2o
    depth = max(rise.notch, effort.depth_cmh2o if effort else 0.0)
    area = sum([p for _, p in rise.samples[: shape.last + 1]]) / (shape.last + 1)
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
        area_cmh2o_s=(area - shape.baseline_cmh2o) * ti_s,
        to_peak_s=shape.to_peak_s,
        effort_cmh2o=depth if _within(rise, height) or effort is not None else None,
    )


def judge(inflation: Inflation, shape: Shape, rise: Rise, usual: Usual, lost: int) -> None:
    """Write into the inflation of what kind it is, and how well it could be read."""
    within = _within(rise, shape.peak_cmh2o - shape.baseline_cmh2o)
    inflation.kind, inflation.why = kind_of(inflation, shape, usual, within)
    inflation.quality, inflation.doubt = quality_of(shape, rise.samples, lost)


def _within(rise: Rise, height: float) -> bool:
    """Whether an effort pulled against the inflation."""
    return rise.notch >= max(MIN_NOTCH_CMH2O, NOTCH_SHARE * height)
