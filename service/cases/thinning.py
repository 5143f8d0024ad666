"""Fewer points for a curve, and nothing lost that an eye would have seen: no dip, no gap."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import Final

#: A time (ms since 1970) and a value; None: from here on nothing is known, until the next value.
Point = tuple[int, float | None]

#: More than this no screen shows of one curve.
MOST: Final = 600


def with_gaps(points: Sequence[Point], gap_ms: int) -> list[Point]:
    """Where nothing came for longer than `gap_ms` the curve ends, and begins anew."""
    found: list[Point] = []
    for at_ms, value in points:
        if found and at_ms - found[-1][0] > gap_ms:
            found.append((found[-1][0] + 1, None))
        found.append((at_ms, value))
    return found


def thinned(points: Sequence[Point], most: int = MOST) -> list[Point]:
    """At most `most` values, and each gap between two of them.

    Of each stretch of time the lowest and the highest stay, where and when they were.
    """
    known = [number for number, (_, value) in enumerate(points) if value is not None]
    if len(known) <= most:
        return list(points)
    lasts_ms = points[known[-1]][0] - points[known[0]][0] + 1
    # One bucket less than there is room for: their grid need not begin where the points do.
    width_ms = -(-lasts_ms // (most // 2 - 1))
    chosen: set[int] = set()
    for _, bucket in groupby(known, lambda number: points[number][0] // width_ms):
        numbers = sorted(bucket, key=lambda number: points[number][1] or 0.0)
        chosen |= {numbers[0], numbers[-1]}
    return _kept(points, chosen)


def _kept(points: Sequence[Point], chosen: set[int]) -> list[Point]:
    found: list[Point] = []
    for number, (at_ms, value) in enumerate(points):
        if number in chosen:
            found.append((at_ms, value))
        elif value is None and found and found[-1][1] is not None:
            found.append((at_ms, None))
    return found
