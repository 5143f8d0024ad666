"""When an inflation began, and from which resting pressure."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from typing import Final

from service.signals.lines import SQRT_12, Curve, Sample, fit, time_of

#: Further under the level followed (cmH2O), samples before a start are a gasp and not rest.
MAX_UNDER_REST_CMH2O: Final = 1.0
#: Resting pressure is the mean over at most this long, and this share of the rest, before a start.
REST_S: Final = 0.5
REST_SHARE: Final = 0.6
BASE_ROUNDS: Final = 4
#: Pressure still falls before a start when its slope is so many times its standard error.
FALLS: Final = 5.0
FALLS_FROM: Final = 6
#: The start lies in this first share of the inflation.
ONSET_SHARE: Final = 0.4
#: A step over rest is beyond doubt from so many standard errors.
CLEAR_STEP: Final = 4.0
#: The foot of a step is read up to this share of it.
FOOT_SHARE: Final = 0.6


def base_before(
    resting: Sequence[Sample], curve: Curve, rest: float, end_s: float
) -> tuple[float, float, float]:
    """Resting pressure just before the ramp: mean, its standard error, scatter."""
    if not resting:
        return rest, 0.0, 0.0
    begun_t, base = resting[0][0], rest
    first_t, before = begun_t, resting[:1]
    for _ in range(BASE_ROUNDS):
        # The believed rest may have crept up a shallow ramp: so the first guess is too late.
        first_t = meets(curve, base, resting[-1][0], begun_t, end_s)
        span_s = min(REST_S, REST_SHARE * (first_t - begun_t))
        end = bisect_left(resting, first_t, key=time_of)
        before = resting[bisect_left(resting, first_t - span_s, hi=end, key=time_of) : end]
        if len(before) < 3:
            before = resting[max(0, end - 3) : end] or resting[:1]
        guess, base = base, sum([p for _, p in before]) / len(before)
        if abs(base - guess) <= 0.005:
            break
    n = len(before)
    line = fit(before)
    if n >= FALLS_FROM and line.slope < -FALLS * line.slope_sd:
        # Still falling beyond doubt: what counts is where it has fallen to.
        base = min(line.middle, line.at(first_t))
    if base < rest - MAX_UNDER_REST_CMH2O:
        # A gasp just before it, not the resting pressure.
        return rest, curve.scatter, curve.scatter
    if n < 3:
        return base, curve.scatter, curve.scatter
    return base, max(line.scatter, curve.scatter) / math.sqrt(n), line.scatter


def meets(curve: Curve, level: float, near_t: float, low_t: float, high_t: float) -> float:
    """When the curve passes `level`, looked for from `near_t` within the bounds."""
    t = near_t
    for _ in range(4 if curve.curvature else 1):
        slope = curve.slope_at(t)
        if slope <= 1e-6:
            return near_t
        t += (level - curve.at(t)) / slope
        t = min(max(t, low_t), high_t)
    return t


def onset(
    resting: Sequence[Sample],
    rise: Sequence[Sample],
    last: int,
    curve: Curve,
    base: float,
    base_sd: float,
    noise: float,
) -> tuple[float, float]:
    """When pressure left rest for the ramp, and the standard error.

    The split that fits best: samples at rest before, on the ramp after it.
    """
    limit_t = rise[0][0] + ONSET_SHARE * (rise[last][0] - rise[0][0])
    low_t = resting[0][0] if resting else rise[0][0]
    meets_t = meets(curve, base, rise[0][0], low_t, rise[last][0])
    window = [s for s in resting[-400:] if s[0] >= meets_t - 0.05]
    count = 0
    while count <= last and (rise[count][0] <= limit_t or len(window) + count < 6):
        count += 1
    window += rise[:count]
    if len(window) < 2:
        return rise[0][0], 0.0
    at = _split(window, curve, base)
    (t0, _), (t1, _) = window[at - 1], window[at]
    middle_t, half_sd = (t0 + t1) / 2.0, (t1 - t0) / SQRT_12
    slope = curve.slope_at(middle_t)
    line_sd = math.hypot(curve.sd_at(middle_t), base_sd)
    step = curve.at(middle_t) - base
    if slope <= 1e-6 or step > CLEAR_STEP * max(line_sd, noise / 2.0):
        return _foot(window, at, base, step, noise)
    # No clear step: the ramp rises out of rest, where its curve meets the resting pressure.
    return min(max(meets_t, t0 - step / slope), t1), math.hypot(line_sd / slope, half_sd / 2.0)


def _foot(
    window: Sequence[Sample], at: int, base: float, step: float, noise: float
) -> tuple[float, float]:
    """Where the step itself begins: it takes the time in which lung and circuit come to terms."""
    seen = max(CLEAR_STEP * noise, 0.04 * step)
    begin = at
    while begin > 1 and window[begin - 1][1] > base + seen:
        begin -= 1
    end = begin
    while end < len(window) and window[end][1] < base + FOOT_SHARE * step + seen:
        end += 1
    (t0, _), (t1, _) = window[begin - 1], window[begin]
    half_sd = (t1 - t0) / SQRT_12
    if end - begin < 3:
        return (t0 + t1) / 2.0, half_sd
    early = fit(window[begin:end])
    start = meets(early, base, t1, t0 - (window[end - 1][0] - t0), t1)
    slope = max(early.slope_at(start), 1e-6)
    return start, min(math.hypot(early.sd_at(start) / slope, half_sd / 2.0), t1 - t0 + half_sd)


def _split(window: Sequence[Sample], curve: Curve, base: float) -> int:
    """Index of the first sample that belongs to the ramp."""
    best, at, total = 0.0, 1, 0.0
    first = True
    for index, (t, p) in enumerate(window):
        rested = p - base
        ramped = p - curve.at(t)
        total += rested * rested - ramped * ramped
        if first or total <= best:
            best, at, first = total, index + 1, False
    return min(at, len(window) - 1)
