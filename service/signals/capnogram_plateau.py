"""The plateau of a capnogram: its end value, its slope, a notch in it, steps at the pulse.

Medians throughout: the noisiest sample decides nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import accumulate, pairwise
from math import sqrt
from typing import Final

from service.signals.notch import pits

#: The end value is read from a straight end of the expiration: at first this share of it.
END_SHARE: Final = 0.5
#: A stretch that bends by more than this (mmHg, and so many times its own noise) is shortened.
BEND_MMHG: Final = 0.15
BEND_SD: Final = 2.5
SHORTER: Final = 0.6
FEWEST_POINTS: Final = 4
#: A slow wave over the line is seen in means over this time (s), when it stands out of the noise.
WAVE_S: Final = 0.2
WAVE_SD: Final = 3.5
#: A notch is at least this deep (mmHg; times the noise; times the steps at the pulse).
NOTCH_MMHG: Final = 2.5
NOTCH_SD: Final = 6.0
NOTCH_RIPPLES: Final = 2.0
#: Points nearer than this are smoothed before a notch is looked for.
SMOOTH_UNDER_S: Final = 0.05
#: Steps at the pulse repeat: the series must resemble itself this well one period later.
RIPPLE_LIKENESS: Final = 0.5
#: The first peak of likeness at this share of the highest is that of one period.
NEAR_HIGHEST: Final = 0.8
RIPPLE_POINTS: Final = 12
MAX_RIPPLE_POINTS: Final = 128
MIN_RIPPLE_MMHG: Final = 0.2
#: First differences of white noise have this median over their deviation.
_MEDIAN_DIFFERENCE: Final = 0.954
#: Deviation of a median over that of a mean.
_MEDIAN_COST: Final = 1.25


@dataclass(slots=True)
class Notch:
    """A dip in the plateau: when it was deepest (s, device time) and how deep (mmHg)."""

    at_s: float
    depth_mmhg: float


@dataclass(slots=True)
class Ripple:
    """Steps on the plateau that repeat: height from low to high (mmHg) and how often (/min)."""

    height_mmhg: float
    rate_per_min: float


def middle(values: list[float]) -> float:
    """The median; `values` must not be empty."""
    ordered = sorted(values)
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else 0.5 * (ordered[half - 1] + ordered[half])


def slope_of(times: list[float], values: list[float]) -> float:
    """Median slope over half the length: a quarter of odd points does not move it."""
    half = len(times) // 2
    return middle(
        [
            (values[i + half] - values[i]) / (times[i + half] - times[i])
            for i in range(len(times) - half)
        ]
    )


def noise_of(values: list[float]) -> float:
    """Deviation of white noise, from the differences of neighbours; needs two values."""
    return middle([abs(b - a) for a, b in pairwise(values)]) / _MEDIAN_DIFFERENCE


def end_value(
    times: list[float],
    values: list[float],
    expired: tuple[int, int],
    noise: float,
    ripple: Ripple | None,
) -> float:
    """CO2 at the end of the expiration between two points (from, to).

    A straight line through the longest straight end of it, read at its last point and held
    between what was measured. A slow wave over that line, which is neither noise nor steps at the
    pulse, counts by its height. The highest sample when there are too few.
    """
    begin, end = expired
    count = int(END_SHARE * (end - begin + 1))
    if count < FEWEST_POINTS:
        return max(values[begin : end + 1])
    late_t, late = times[end - count + 1 : end + 1], values[end - count + 1 : end + 1]
    step_s = (late_t[-1] - late_t[0]) / (count - 1)
    if ripple is not None:
        return _within_ripple(late_t, late, 60.0 / (ripple.rate_per_min * step_s))
    level, used = _straight_end(late_t, late)
    line = min(max(late), max(min(late[-used:]), level))
    width = max(1, min(count // 3, round(WAVE_S / step_s)))
    slope, calm = slope_of(late_t, late), _without_spikes(late)
    flat = [value - slope * (at - late_t[-1]) for at, value in zip(late_t, calm, strict=True)]
    over = _highest_mean(flat, width)
    if over - middle(flat) <= WAVE_SD * noise / sqrt(width):
        return line
    return max(line, min(over, _highest_mean(calm, width)))


def _within_ripple(times: list[float], values: list[float], period: float) -> float:
    """The end of a stretch with steps that repeat every so many points: the middle of them.

    Over whole pairs of periods, so that the steps cancel in the slope.
    """
    pairs = max(1, int(len(times) / (2.0 * period)))
    count = min(len(times), max(FEWEST_POINTS, round(2.0 * pairs * period)))
    return _line_end(times[-count:], values[-count:])[0]


def _straight_end(times: list[float], values: list[float]) -> tuple[float, int]:
    """The longest straight stretch at the end: its level there, and of how many points it is."""
    count = len(times)
    while True:
        level, rest = _line_end(times[-count:], values[-count:])
        if count <= FEWEST_POINTS or not _bends(rest):
            return level, count
        count = max(FEWEST_POINTS, int(SHORTER * count))


def _line_end(times: list[float], values: list[float]) -> tuple[float, list[float]]:
    """Level of a straight line at the last point, and what is left when its slope is taken off."""
    slope = slope_of(times, values)
    rest = [value - slope * (at - times[-1]) for at, value in zip(times, values, strict=True)]
    return middle(rest), rest


def _without_spikes(values: list[float]) -> list[float]:
    """Each value the middle one of itself and its neighbours; the ends like those beside them."""
    between = [sorted(three)[1] for three in zip(values, values[1:], values[2:], strict=False)]
    return [between[0], *between, between[-1]]


def lowest_mean(values: list[float], width: int) -> float:
    """The lowest mean of so many values in a row."""
    sums = [0.0, *accumulate(values)]
    return min(b - a for a, b in zip(sums, sums[width:], strict=False)) / width


def _highest_mean(values: list[float], width: int) -> float:
    return -lowest_mean([-value for value in values], width)


def _bends(rest: list[float]) -> bool:
    """Whether the middle of the stretch lies off the line through its ends."""
    third = len(rest) // 3
    outer = 0.5 * (middle(rest[:third]) + middle(rest[-third:]))
    noise = noise_of(rest)
    doubt = BEND_SD * _MEDIAN_COST * noise * sqrt(1.5 / third)
    return abs(middle(rest[third:-third]) - outer) > BEND_MMHG + doubt


def notch_in(
    times: list[float],
    values: list[float],
    plateau: tuple[int, int],
    noise: float,
    ripple: Ripple | None,
) -> Notch | None:
    """The deepest dip between two higher parts of the plateau, if it is deep enough."""
    begin, end = plateau
    part = values[begin : end + 1]
    if len(part) < FEWEST_POINTS:
        return None
    if times[end] - times[begin] < SMOOTH_UNDER_S * (end - begin):
        part = _without_spikes(part)
    depths = pits(part)
    depth = max(depths)
    least = max(NOTCH_MMHG, NOTCH_SD * noise)
    if ripple is not None:
        least = max(least, NOTCH_RIPPLES * ripple.height_mmhg)
    return Notch(times[begin + depths.index(depth)], depth) if depth >= least else None


def ripple_in(times: list[float], values: list[float], begin: int, end: int) -> Ripple | None:
    """Steps that repeat on the plateau, as the heart makes them; None when there are none."""
    begin = max(begin, end + 1 - MAX_RIPPLE_POINTS)
    count = end - begin + 1
    if count < RIPPLE_POINTS:
        return None
    t, c = times[begin : end + 1], values[begin : end + 1]
    slope = slope_of(t, c)
    level = [value - slope * (at - t[0]) for at, value in zip(t, c, strict=True)]
    centre = sum(level) / count
    rest = [value - centre for value in level]
    power = sum(r * r for r in rest) / count
    if power <= 0.0:
        return None
    period, likeness = _period(rest, power)
    height = 2.0 * sqrt(2.0 * max(0.0, likeness) * power)
    if likeness < RIPPLE_LIKENESS or height < MIN_RIPPLE_MMHG:
        return None
    return Ripple(height, 60.0 * (count - 1) / (period * (t[-1] - t[0])))


def _period(rest: list[float], power: float) -> tuple[int, float]:
    """The lag (in points) at which a series is like itself again, past its first unlikeness.

    The first peak of likeness that comes near the highest: later ones are its multiples.
    """
    likeness = [
        sum(a * b for a, b in zip(rest, rest[lag:], strict=False)) / ((len(rest) - lag) * power)
        for lag in range(1, len(rest) // 2 + 1)
    ]
    opposed = next((i for i, alike in enumerate(likeness) if alike < 0.0), len(likeness))
    again = likeness[opposed:]
    if not again or max(again) <= 0.0:
        return 1, 0.0
    least = NEAR_HIGHEST * max(again)
    at = next(i for i, alike in enumerate(again) if alike >= least)
    while at + 1 < len(again) and again[at + 1] > again[at]:
        at += 1
    return opposed + at + 1, again[at]
