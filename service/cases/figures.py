"""What the course of a value comes to over a stay: lowest, median, highest, time beyond limits."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from service.cases.course import GAP_MS, Curve
from service.cases.limit_lines import LimitLine, Side


@dataclass(frozen=True, slots=True)
class Held:
    """A value, and from when to when it is taken to have held (ms since 1970)."""

    value: float
    from_ms: int
    to_ms: int


@dataclass(frozen=True, slots=True)
class Beyond:
    """For how long a value was beyond a limit (s). `value` is the limit's last one."""

    name: str
    side: Side
    value: float
    beyond_s: float


@dataclass(frozen=True, slots=True)
class Figures:
    """A value over a span, in its own unit. `known_s` is for how long it was known; the median is
    weighted by time; `beyond` is in the order of the lines."""

    curve: Curve
    known_s: float
    lowest: float
    lowest_ms: int
    median: float
    highest: float
    highest_ms: int
    beyond: tuple[Beyond, ...]


def held(curve: Curve, to_ms: int) -> list[Held]:
    """Each value holds until the next one comes, or until it would be a gap."""
    found = []
    for (at_ms, value), (next_ms, _) in pairwise([*curve.points, (to_ms, None)]):
        if value is not None and next_ms > at_ms:
            found.append(Held(value, at_ms, min(next_ms, at_ms + GAP_MS[curve.by])))
    return found


def figures_of(curve: Curve, lines: Sequence[LimitLine], to_ms: int) -> Figures | None:
    """The figures of a course that ends at `to_ms`; None where no value was ever known."""
    stretches = held(curve, to_ms)
    if not stretches:
        return None
    lowest = min(stretches, key=lambda one: one.value)
    highest = max(stretches, key=lambda one: one.value)
    return Figures(
        curve=curve,
        known_s=sum(one.to_ms - one.from_ms for one in stretches) / 1000.0,
        lowest=lowest.value,
        lowest_ms=lowest.from_ms,
        median=_median(stretches),
        highest=highest.value,
        highest_ms=highest.from_ms,
        beyond=tuple(_beyond(stretches, [one for one in lines if one.vital is curve.vital])),
    )


def _median(stretches: Sequence[Held]) -> float:
    """The value below which it was for half of the time."""
    in_order = sorted(stretches, key=lambda one: one.value)
    half_ms = sum(one.to_ms - one.from_ms for one in in_order) / 2.0
    for one in in_order:
        half_ms -= one.to_ms - one.from_ms
        if half_ms <= 0.0:
            return one.value
    return in_order[-1].value


def _beyond(stretches: Sequence[Held], lines: Sequence[LimitLine]) -> Iterator[Beyond]:
    for name in dict.fromkeys(line.name for line in lines):
        mine = [line for line in lines if line.name == name]
        beyond_ms = sum(_overlap_ms(one, line) for one in stretches for line in mine)
        yield Beyond(name, mine[-1].side, mine[-1].value, beyond_ms / 1000.0)


def _overlap_ms(one: Held, line: LimitLine) -> int:
    beyond = one.value > line.value if line.side == "above" else one.value < line.value
    if not beyond:
        return 0
    return max(0, min(one.to_ms, line.to_ms) - max(one.from_ms, line.from_ms))


#: A record of an anaesthetic is written at least every five minutes (common practice, no source);
#: a short one more often, and of a long one no more rows than are read.
_STEPS_MIN = (1, 5, 10, 15, 30, 60)
_MOST_ROWS = 36


def step_ms(from_ms: int, to_ms: int) -> int:
    """How far apart the rows of a record of this span are."""
    for minutes in _STEPS_MIN:
        if (to_ms - from_ms) / 60_000 / minutes <= _MOST_ROWS:
            return minutes * 60_000
    return -(-(to_ms - from_ms) // _MOST_ROWS // 3_600_000) * 3_600_000


def at_marks(curve: Curve, marks_ms: Sequence[int], to_ms: int) -> list[float | None]:
    """The value at each of these times; None where it was not known then."""
    stretches = iter(held(curve, to_ms))
    one = next(stretches, None)
    found: list[float | None] = []
    for mark_ms in marks_ms:
        while one is not None and one.to_ms <= mark_ms:
            one = next(stretches, None)
        known = one is not None and one.from_ms <= mark_ms
        found.append(one.value if one is not None and known else None)
    return found
