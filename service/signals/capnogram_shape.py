"""The shape of one breath in CO2: its phases, its end-tidal and its inspired value.

Phases are those of a time capnogram: the inspired baseline, the upstroke (II), the plateau (III)
and the downstroke (0). A corner is the point farthest from a chord, which noise moves little.
Terms and signs as in Anderson & Breen, Crit Care 2000;4:207.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from service.signals.capnogram_plateau import (
    Notch,
    Ripple,
    end_value,
    lowest_mean,
    middle,
    noise_of,
    notch_in,
    ripple_in,
    slope_of,
)

#: CO2 this near the lowest value (share of the swing, deviations of the noise, mmHg at least)
#: has not begun to rise.
FOOT_SHARE: Final = 0.04
FOOT_SD: Final = 4.0
MIN_FOOT_MMHG: Final = 0.2
#: A plateau has so many points, lasts for this share of the expiration, and rises over its length
#: by no more than this share of the swing.
PLATEAU_POINTS: Final = 4
PLATEAU_SHARE: Final = 0.25
PLATEAU_RISE_SHARE: Final = 0.2
#: The first part behind a corner still bends, so slope and flatness are taken from the rest.
BEND_SHARE: Final = 0.25
#: Inspired CO2 that changes by no more than this (mmHg, and deviations of the noise) is flat; it
#: has to be seen for this long (s; a shorter one shows the analyser's lag) and at so many points.
FLAT_S: Final = 0.5
FLAT_MMHG: Final = 0.5
FLAT_SD: Final = 1.5
FLAT_POINTS: Final = 6
#: A point this far under the one before it (share of the swing, deviations of the noise) already
#: belongs to the fall.
FALLING_SHARE: Final = 0.03
FALLING_SD: Final = 4.0
#: With so many points before it the noise of the plateau itself is the measure.
FALLING_POINTS: Final = 3
#: The inspired value is the lowest mean over one of so many parts of the inspired baseline.
INSPIRED_PARTS: Final = 4
#: With fewer points in a breath its own slopes look like noise, so noise is held under this share.
FEW_POINTS: Final = 12
FEW_NOISE_SHARE: Final = 0.03


@dataclass(slots=True)
class Shape:
    """One breath. Times in s (device time), CO2 in mmHg."""

    #: Where the inspired baseline began (None when not seen), its level, whether it was flat.
    baseline_s: float | None
    inspired_mmhg: float
    inspired_flat: bool | None
    #: Phase II begins, phase III begins, phase 0 begins.
    start_s: float
    plateau_s: float
    down_s: float
    etco2_mmhg: float
    #: Whether there is a plateau, and its slope (mmHg/s) if so.
    slope: float | None
    notch: Notch | None
    ripple: Ripple | None
    #: Points from the middle of the upstroke to the end of the plateau.
    points: int


def shape_of(
    times: list[float], values: list[float], risen: int, noise: float, *, after_fall: bool
) -> Shape:
    """Read one breath from its points: inspiration, expiration, and the fall that ended it.

    `times` in s, `values` in mmHg; by point `risen` CO2 had surely begun to rise; `noise` is the
    deviation of the noise of one point in mmHg; `after_fall` says that the points begin with the
    fall of the breath before.
    """
    lowest = min(values[: risen + 1])
    low = _last_under(values, risen, lowest)
    highest = max(values[risen:])
    up = _first_over(values, low, 0.5 * (highest + lowest))
    fallen = _last_over(values, 0.5 * (highest + values[-1]))
    down = _corner(times, values, (up + fallen) // 2, len(values) - 1, 1.0)
    down = _before_fall(values, up, down, noise, highest - lowest)
    ripple = ripple_in(times, values, up + (down - up) // 3, down)
    etco2 = end_value(times, values, (up, down), noise, ripple)
    swing = etco2 - lowest
    if len(values) < FEW_POINTS:
        noise = min(noise, FEW_NOISE_SHARE * swing)
    height = max(FOOT_SHARE * swing, FOOT_SD * noise, MIN_FOOT_MMHG)
    foot = _last_under(values, up, lowest + height)
    knee = _corner(times, values, foot, down, 1.0)
    base = _corner(times, values, 0, foot, -1.0)
    inspired = values[base : foot + 1]
    return Shape(
        baseline_s=times[base] if after_fall else None,
        inspired_mmhg=lowest_mean(inspired, max(1, len(inspired) // INSPIRED_PARTS)),
        inspired_flat=_flat(times, values, (base, foot), noise),
        start_s=times[foot],
        plateau_s=times[knee],
        down_s=times[down],
        etco2_mmhg=etco2,
        slope=_plateau_slope(times, values, (foot, knee, down), swing),
        notch=notch_in(times, values, (knee, down), noise, ripple),
        ripple=ripple,
        points=down - up + 1,
    )


def _first_over(values: list[float], begin: int, level: float) -> int:
    index = begin
    while values[index] < level:
        index += 1
    return index


def _last_over(values: list[float], level: float) -> int:
    index = len(values) - 1
    while values[index] < level:
        index -= 1
    return index


def _last_under(values: list[float], begin: int, level: float) -> int:
    """From `begin` back, the first point at or under the level."""
    index = begin
    while index > 0 and values[index] > level:
        index -= 1
    return index


def _corner(times: list[float], values: list[float], begin: int, end: int, side: float) -> int:
    """The point that lies farthest above (`side` 1) or below (-1) the chord between two."""
    if end - begin < 2:
        return begin if side * values[begin] >= side * values[end] else end
    slope = (values[end] - values[begin]) / (times[end] - times[begin])
    origin = times[begin]
    over = [
        side * (value - slope * (t - origin))
        for t, value in zip(times[begin : end + 1], values[begin : end + 1], strict=True)
    ]
    return begin + over.index(max(over))


def _before_fall(values: list[float], up: int, down: int, noise: float, swing: float) -> int:
    """Step back over points that already belong to the fall."""
    late = values[(up + down) // 2 : down]
    if len(late) >= FALLING_POINTS:
        noise = noise_of(late)
    allowed = max(FALLING_SHARE * swing, FALLING_SD * noise)
    while down > up and values[down - 1] - values[down] > allowed:
        down -= 1
    return down


def _plateau_slope(
    times: list[float], values: list[float], corners: tuple[int, int, int], swing: float
) -> float | None:
    foot, knee, down = corners
    lasts_s = times[down] - times[knee]
    if (
        down - knee + 1 < PLATEAU_POINTS
        or lasts_s < PLATEAU_SHARE * (times[down] - times[foot])
    ):  # fmt: skip
        return None
    begin = knee + int(BEND_SHARE * (down - knee))
    rise = lasts_s * slope_of(times[knee : down + 1], values[knee : down + 1])
    if abs(rise) > PLATEAU_RISE_SHARE * swing:
        return None
    return slope_of(times[begin : down + 1], values[begin : down + 1])


def _flat(
    times: list[float], values: list[float], baseline: tuple[int, int], noise: float
) -> bool | None:
    """Whether inspired CO2 stood still; None when too little of it was seen."""
    base, foot = baseline
    begin = base + int(BEND_SHARE * (foot - base))
    third = (foot - begin) // 3
    if third < FLAT_POINTS // 3 or times[foot] - times[base] < FLAT_S:
        return None
    change = middle(values[begin : begin + third]) - middle(values[foot - third : foot])
    return abs(change) <= FLAT_MMHG + FLAT_SD * noise
