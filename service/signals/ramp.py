"""The shape of one inflation: where it begins and ends, and the ramp between.

A constant flow into lung and circuit gives pressure a step (resistance) and then an even rise
(compliance; Bates, Lung Mechanics, 2009), bent where a leak takes a growing share of the flow. The
ramp is fitted as a whole, so that noise and heartbeat average out; beginning and end are where the
samples leave its curve, found to a part of a sample where they allow it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from service.signals.foot import settle
from service.signals.lines import Curve, Sample, fit

#: The ramp is fitted between these shares of the inflation: past the step, before the release.
FIT_FROM: Final = 0.22
FIT_TO: Final = 0.94
TOP_FROM: Final = 0.6
#: A sample so far (in scatters, or as a share of the height) under the ramp has left it.
OFF_SCATTERS: Final = 3.5
OFF_SHARE: Final = 0.03
#: A ramp whose samples scatter by more than the first share of its height, and by so many times
#: the scatter at rest or the second share, is none.
RAMP_SCATTER_SHARE: Final = 0.045
MAX_SCATTER_SHARE: Final = 0.12
RAMP_SCATTERS: Final = 3.0
#: Shares of the inflation at which its profile is read, and over which share on either side.
PROFILE_AT: Final = (0.1, 0.25, 0.5, 0.75)
PROFILE_HALF: Final = 0.05
#: Pressure that peaks by this share of its height over the end of a ramp came from no ramp.
PEAK_OVER: Final = 0.08
#: Nor is one that sinks by this share.
SINK_SHARE: Final = 0.08
#: Further under the level followed (cmH2O), samples before a start are a gasp and not rest.
REST_NEAR_CMH2O: Final = 0.5
MAX_UNDER_REST_CMH2O: Final = 1.0
#: Samples further under the ramp than so many scatters are left out, so often, while this share
#: of them is kept.
TRIM_SCATTERS: Final = 1.5
TRIMS: Final = 4
KEPT_SHARE: Final = 0.6
#: Under this share of the height, pressure has been released.
FALLEN_SHARE: Final = 0.5
#: Falling samples above this share tell how fast the release is.
TELLING_SHARE: Final = 0.06
#: How fast it is, is read down to this share.
LOWER_SHARE: Final = 0.6
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
#: The start may lie so long before the first guess.
FOOT_BEFORE_S: Final = 0.3
#: An inflation that is no ramp ends where pressure falls by this share of its height a second,
#: seen over this time; its times are known to about so much.
STEEP_PER_S: Final = 2.0
STEEP_OVER_S: Final = 0.02
ROUND_SD_S: Final = 0.02
MAX_NOISE_SHARE: Final = 0.03
_SQRT_12: Final = math.sqrt(12.0)


@dataclass(slots=True)
class Shape:
    """One inflation as read from its samples; times in s, pressures in cmH2O.

    `is_ramp` says whether the straight or bent line describes it; otherwise step, slope and bend
    are None. `bend` is the slope at the end over that at the start. `rest_scatter` is the standard
    deviation at rest, `residual` that about the ramp. `to_peak_s` runs to the highest sample.
    """

    start_s: float
    end_s: float
    start_sd_s: float
    end_sd_s: float
    baseline_cmh2o: float
    peak_cmh2o: float
    peak_sd_cmh2o: float
    to_peak_s: float
    is_ramp: bool
    step_cmh2o: float | None
    step_sd_cmh2o: float | None
    slope_cmh2o_per_s: float | None
    slope_sd_cmh2o_per_s: float | None
    bend: float | None
    bend_sd: float | None
    #: Time constant of the foot, and pressure over the baseline at `PROFILE_AT` of the inflation.
    foot_s: float | None
    profile_cmh2o: tuple[float, ...] | None
    residual_cmh2o: float
    rest_scatter_cmh2o: float
    #: Index of the last sample before the release, and how long pressure took to fall by half.
    last: int
    fall_s: float
    samples: int


def read(
    resting: Sequence[Sample], rise: Sequence[Sample], released: int, rest: float, peak: float
) -> Shape:
    """Read one inflation.

    `resting` are (time s, pressure) before the threshold, `rise` those from there until pressure
    was released at index `released`; `rest` and `peak` are its rough levels.
    """
    height = peak - rest
    half = _last_over(rise, released, rest + FALLEN_SHARE * height)
    noise = _scatter(resting)
    limit = height * max(RAMP_SCATTER_SHARE, min(MAX_SCATTER_SHARE, RAMP_SCATTERS * noise / height))
    curve = _fit_undisturbed(_middle(rise, half, rest, height), limit)
    last = _last_on(rise, half, curve, height)
    if last > 8:
        curve = _fit_undisturbed(_middle(rise, last, rest, height), limit)
        last = _last_on(rise, half, curve, height)
    fall_s = rise[min(half + 1, len(rise) - 1)][0] - rise[last][0]
    length_s = max(1e-6, rise[half][0] - rise[0][0])
    top = curve.at(rise[last][0])
    no_ramp = curve.scatter > limit or peak > top + max(limit, PEAK_OVER * height)
    sinks = -curve.slope * (rise[last][0] - rise[0][0]) > SINK_SHARE * height
    if no_ramp or sinks or last < 1 or fall_s > 0.3 * length_s + 0.12:
        return _other(resting, rise, half, rest, peak, limit)
    return _ramp(resting, rise, last, half, curve, rest, height)


def _highest(rise: Sequence[Sample], last: int) -> int:
    """Index of the highest sample up to `last`."""
    pressures = [p for _, p in rise[: last + 1]]
    return pressures.index(max(pressures))


def _last_over(rise: Sequence[Sample], released: int, level: float) -> int:
    at = min(released, len(rise) - 1)
    while at > 0 and rise[at][1] < level:
        at -= 1
    return at


def _middle(rise: Sequence[Sample], half: int, rest: float, height: float) -> Sequence[Sample]:
    first_t, length_s = rise[0][0], rise[half][0] - rise[0][0]
    top = _highest(rise, half)
    # Of a ramp the highest sample is near its end; a slow release must not bend the line.
    begin, end = 0, (top if top > TOP_FROM * half else half) + 1
    while begin < half and rise[begin][0] < first_t + FIT_FROM * length_s:
        begin += 1
    while end > begin + 1 and rise[end - 1][0] > first_t + FIT_TO * length_s:
        end -= 1
    if end - begin >= 5:
        return rise[begin:end]
    # Few samples: all that lie on the way up and have not begun to fall.
    begin = 0
    while begin < top - 1 and rise[begin][1] < rest + 0.2 * height:
        begin += 1
    return rise[max(0, min(begin, top - 1)) : top + 1]


def _fit_undisturbed(samples: Sequence[Sample], limit: float) -> Curve:
    """The curve through the samples; without those that an effort pulled away, if that helps."""
    curve, kept = fit(samples), samples
    for _ in range(TRIMS):
        if curve.scatter <= limit or len(kept) < 8:
            return curve
        kept = [s for s in kept if curve.at(s[0]) - s[1] <= TRIM_SCATTERS * curve.scatter]
        if len(kept) < KEPT_SHARE * len(samples):
            return curve
        curve = fit(kept, may_bend=False)
    return curve


def _last_on(rise: Sequence[Sample], half: int, curve: Curve, height: float) -> int:
    """The last sample that still lies on the ramp."""
    slack = max(OFF_SCATTERS * curve.scatter, OFF_SHARE * height)
    at = half
    while at > 0 and rise[at][1] < curve.at(rise[at][0]) - slack:
        at -= 1
    return at


def _scatter(resting: Sequence[Sample]) -> float:
    recent = resting[-64:]
    n = len(recent)
    if n < 4:
        return 0.0
    mean = sum([p for _, p in recent]) / n
    return math.sqrt(sum([(p - mean) ** 2 for _, p in recent]) / (n - 1))


# -- an inflation by constant flow ----------------------------------------------------------------


def _ramp(
    resting: Sequence[Sample],
    rise: Sequence[Sample],
    last: int,
    half: int,
    curve: Curve,
    rest: float,
    height: float,
) -> Shape:
    end_s, end_sd_s = _end(rise, last, curve, rest, height)
    base, base_sd, base_scatter = _base(resting, curve, rest, end_s)
    noise = max(curve.scatter, base_scatter)
    start_s, start_sd_s = _onset(resting, rise, last, curve, base, base_sd, noise)
    ramp = _undisturbed(rise[: last + 1], curve, height)
    foot = settle(_from(resting, start_s - FOOT_BEFORE_S), ramp, curve, base, start_s, end_s)
    if foot is not None and foot.curve.slope >= 0.0:
        start_s, start_sd_s, curve = foot.start_s, foot.sd_s, foot.curve
        end_s, end_sd_s = _end(rise, last, curve, rest, height)
    peak = curve.at(end_s)
    slope_start = curve.slope_at(start_s)
    bend, bend_sd = _bend(curve, start_s, end_s)
    step = curve.at(start_s) - base
    step_sd = math.hypot(curve.sd_at(start_s), base_sd, slope_start * start_sd_s)
    top = _highest(rise, last)
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
        profile_cmh2o=_profile(resting, rise, last, start_s, end_s, base),
        residual_cmh2o=curve.scatter,
        rest_scatter_cmh2o=base_scatter,
        last=last,
        fall_s=rise[min(half + 1, len(rise) - 1)][0] - end_s,
        samples=last + 1,
    )


def _profile(
    resting: Sequence[Sample],
    rise: Sequence[Sample],
    last: int,
    start_s: float,
    end_s: float,
    base: float,
) -> tuple[float, ...]:
    """Pressure over the baseline at shares of the inflation, whatever its form."""
    samples = [(start_s, base)]
    samples += [s for s in _from(resting, start_s) if s[0] > start_s]
    samples += [s for s in rise[: last + 1] if s[0] > start_s]
    half_s = PROFILE_HALF * (end_s - start_s)
    return tuple(
        _local(samples, start_s + share * (end_s - start_s), half_s) - base for share in PROFILE_AT
    )


def _local(samples: Sequence[Sample], t: float, half_s: float) -> float:
    """Value at `t`: the line through the samples near it, or between its two neighbours."""
    near = [s for s in samples[1:] if -half_s <= s[0] - t <= half_s]
    if len(near) >= 3:
        (first_t, first), (last_t, last) = near[0], near[-1]
        slope = (last - first) / (last_t - first_t)
        off_s = t - sum([s[0] for s in near]) / len(near)
        return sum([s[1] for s in near]) / len(near) + slope * off_s
    at = 1
    while at < len(samples) - 1 and samples[at][0] < t:
        at += 1
    if at >= len(samples):
        return samples[-1][1]
    (t0, p0), (t1, p1) = samples[at - 1], samples[at]
    return p0 + (p1 - p0) * (t - t0) / (t1 - t0) if t1 > t0 else p1


def _bend(curve: Curve, start_s: float, end_s: float) -> tuple[float | None, float | None]:
    """Slope at the end over slope at the start, and its standard error."""
    if not math.isfinite(curve.bow_sd) or curve.slope <= 0.0:
        return None, None
    at_start = curve.slope + 2.0 * curve.bow * (start_s - curve.centre_s)
    at_end = curve.slope + 2.0 * curve.bow * (end_s - curve.centre_s)
    if at_start <= 0.1 * curve.slope:
        return None, None
    return at_end / at_start, 2.0 * curve.bow_sd * (end_s - start_s) / curve.slope


def _undisturbed(ramp: Sequence[Sample], curve: Curve, height: float) -> Sequence[Sample]:
    """The ramp without samples that an effort pulled far under it; all of its foot stays."""
    first_t = ramp[0][0] + FIT_FROM * (ramp[-1][0] - ramp[0][0])
    slack = max(OFF_SCATTERS * curve.scatter, 2.0 * OFF_SHARE * height)
    return [s for s in ramp if s[0] < first_t or curve.at(s[0]) - s[1] <= slack]


def _from(samples: Sequence[Sample], first_s: float) -> Sequence[Sample]:
    at = len(samples)
    while at > 0 and samples[at - 1][0] >= first_s:
        at -= 1
    return samples[at:]


def _end(
    rise: Sequence[Sample], last: int, curve: Curve, rest: float, height: float
) -> tuple[float, float]:
    """When the ramp ended and its standard error: the release carried back to the ramp."""
    if last + 1 >= len(rise):
        return rise[last][0], 0.0
    (t0, _), (t1, p1) = rise[last], rise[last + 1]
    dt = t1 - t0
    left, top = p1 - rest, curve.at(t1) - rest
    telling = max(TELLING_SHARE * height, 3.0 * curve.scatter)
    if left <= telling or left >= top:
        return t0 + dt / 2.0, dt / _SQRT_12
    lower = last + 2
    while lower < len(rise) and rise[lower][1] - rest > LOWER_SHARE * left:
        lower += 1
    if lower >= len(rise):
        return t0 + dt / 2.0, dt / _SQRT_12
    t2, left2 = rise[lower][0], max(rise[lower][1] - rest, 0.5 * telling)
    if left2 >= left:
        return t0 + dt / 2.0, dt / _SQRT_12
    per_s = math.log(left / left2) / (t2 - t1)
    back_s = math.log(top / left) / per_s
    # Noise can hide the first part of a slow fall in the ramp.
    slack = max(OFF_SCATTERS * curve.scatter, OFF_SHARE * height)
    hidden_s = -math.log(max(0.2, 1.0 - slack / height)) / per_s
    end_s = max(t1 - back_s, t0 - min(hidden_s, 0.05))
    return min(end_s, t1), max(0.3 * dt, 2.0 * curve.scatter / height / per_s) / 2.0


def _base(
    resting: Sequence[Sample], curve: Curve, rest: float, end_s: float
) -> tuple[float, float, float]:
    """Resting pressure just before the ramp: mean, its standard error, scatter."""
    if not resting:
        return rest, 0.0, 0.0
    begun_t, base = resting[0][0], rest
    first_t, before = begun_t, list(resting[:1])
    for _ in range(BASE_ROUNDS):
        # The believed rest may have crept up a shallow ramp: so the first guess is too late.
        first_t = _meets(curve, base, resting[-1][0], begun_t, end_s)
        span_s = min(REST_S, REST_SHARE * (first_t - begun_t))
        before = [s for s in resting if first_t - span_s <= s[0] < first_t]
        if len(before) < 3:
            before = [s for s in resting if s[0] < first_t][-3:] or [resting[0]]
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


def _meets(curve: Curve, level: float, near_t: float, low_t: float, high_t: float) -> float:
    """When the curve passes `level`, looked for from `near_t` within the bounds."""
    t = near_t
    for _ in range(4 if curve.curvature else 1):
        slope = curve.slope_at(t)
        if slope <= 1e-6:
            return near_t
        t += (level - curve.at(t)) / slope
        t = min(max(t, low_t), high_t)
    return t


def _onset(
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
    meets_t = _meets(curve, base, rise[0][0], low_t, rise[last][0])
    window = [s for s in resting[-400:] if s[0] >= meets_t - 0.05]
    count = 0
    while count <= last and (rise[count][0] <= limit_t or len(window) + count < 6):
        count += 1
    window += rise[:count]
    if len(window) < 2:
        return rise[0][0], 0.0
    at = _split(window, curve, base)
    (t0, _), (t1, _) = window[at - 1], window[at]
    middle_t, half_sd = (t0 + t1) / 2.0, (t1 - t0) / _SQRT_12
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
    half_sd = (t1 - t0) / _SQRT_12
    if end - begin < 3:
        return (t0 + t1) / 2.0, half_sd
    early = fit(window[begin:end])
    start = _meets(early, base, t1, t0 - (window[end - 1][0] - t0), t1)
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


# -- an inflation of another form -----------------------------------------------------------------


def _other(
    resting: Sequence[Sample],
    rise: Sequence[Sample],
    half: int,
    rest: float,
    peak: float,
    limit: float,
) -> Shape:
    """A squeezed bag, or an inflation with a pause: a ramp up to its peak only, or none at all."""
    near = [p for t, p in resting if t >= rise[0][0] - REST_S]
    base = sum(near) / len(near) if len(near) >= 3 else rest
    if base < rest - REST_NEAR_CMH2O:
        base = rest
    height = peak - base
    last = _before_fall(rise, half, height)
    top = _highest(rise, last)
    curve = fit(_middle(rise, top, rest, height)) if top >= 8 else None
    if curve is not None and (curve.scatter > limit or curve.slope <= 0.0):
        curve = None
    # A gasp before it is no noise.
    noise = min(_scatter(resting), MAX_NOISE_SHARE * height)
    interval_s = (rise[last][0] - rise[0][0]) / max(1, last)
    if curve is not None:
        start_s, start_sd_s = _onset(resting, rise, top, curve, base, noise, noise)
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
        fall_s=rise[min(half + 1, len(rise) - 1)][0] - end_s,
        samples=last + 1,
    )


def _before_fall(rise: Sequence[Sample], half: int, height: float) -> int:
    """The last sample before pressure fell steeply to half of its height."""
    at = half
    while at > 0:
        back = at - 1
        while back > 0 and rise[at][0] - rise[back][0] < STEEP_OVER_S:
            back -= 1
        fell = rise[back][1] - rise[at][1]
        if fell < STEEP_PER_S * height * (rise[at][0] - rise[back][0]):
            break
        at -= 1
    return at


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
