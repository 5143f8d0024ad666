"""How far an effort pulled a signal down in between: pressure in an inflation, CO2 in a plateau."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate, pairwise

from service.signals.lines import Curve, Sample


def pits(values: Sequence[float]) -> list[float]:
    """How far each value lies under the lower of the highest before and the highest after it."""
    before = accumulate(values, max)
    after = list(accumulate(reversed(values), max))[::-1]
    return [min(b, a) - value for b, a, value in zip(before, after, values, strict=True)]


def under_curve(samples: Sequence[Sample], curve: Curve, least: float) -> float:
    """The deepest that two samples in a row lie under the ramp's curve, or 0 (cmH2O).

    Nought where none lies as deep as `least`.
    """
    centre_s, slope, bow = curve.centre_s, curve.slope, curve.curvature
    level = curve.middle - bow * curve.spread
    under = [level + (t - centre_s) * (slope + bow * (t - centre_s)) - p for t, p in samples]
    return _deepest(under) if max(under, default=0.0) >= least else 0.0


def under_rims(samples: Sequence[Sample]) -> float:
    """Depth of the deepest pit, under the line from its one rim to the other (cmH2O).

    Nought where pressure only rises and then only falls, as with a squeezed bag or a pause.
    """
    pressures = [p for _, p in samples]
    depths = pits(pressures)
    at = depths.index(max(depths))
    if depths[at] <= 0.0:
        return 0.0
    left = pressures.index(max(pressures[: at + 1]))
    right = at + pressures[at:].index(max(pressures[at:]))
    (t0, p0), (t1, p1) = samples[left], samples[right]
    per_s = (p1 - p0) / (t1 - t0)
    return _deepest([p0 + per_s * (t - t0) - p for t, p in samples[left : right + 1]])


def _deepest(under: Sequence[float]) -> float:
    return max([min(pair) for pair in pairwise(under)], default=0.0)
