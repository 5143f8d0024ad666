"""What a course comes to, held against NumPy and against counting each second."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.cases.course import Curve, Teller
from service.cases.figures import at_marks, figures_of, held, step_ms
from service.cases.limit_lines import LimitLine, Side
from service.cases.thinning import Point
from service.glance import Vital

GAP_S = 10
ENDS_S = 400


def _curve(points: list[Point], by: Teller = "monitor") -> Curve:
    return Curve(Vital.SPO2, by, points)


def _line(value: float, side: Side, from_s: int = 0, to_s: int = ENDS_S) -> LimitLine:
    return LimitLine(Vital.SPO2, f"spo2_{side}", side, value, 1000 * from_s, 1000 * to_s)


_SECONDS = st.lists(st.integers(0, ENDS_S - 1), min_size=1, max_size=60, unique=True).map(sorted)


@st.composite
def _courses(draw: st.DrawFn) -> list[Point]:
    seconds = draw(_SECONDS)
    values = st.one_of(st.none(), st.integers(70, 100).map(float))
    return [(1000 * at, draw(values)) for at in seconds]


def _each_second(points: list[Point]) -> list[float | None]:
    """By plain counting: the newest value that is not older than the gap."""
    found: list[float | None] = []
    for second in range(ENDS_S):
        before = [(at // 1000, value) for at, value in points if at <= 1000 * second]
        at, value = before[-1] if before else (-1000, None)
        found.append(value if second - at < GAP_S else None)
    return found


@given(_courses())
def test_figures_are_those_of_counting_each_second(points: list[Point]) -> None:
    seconds = [value for value in _each_second(points) if value is not None]
    lines = [_line(90.0, "below"), _line(95.0, "above", 100, 250)]
    found = figures_of(_curve(points), lines, 1000 * ENDS_S)
    if not seconds:
        assert found is None
        return
    assert found is not None
    assert found.known_s == len(seconds)
    assert (found.lowest, found.highest) == (min(seconds), max(seconds))
    below, above = found.beyond
    assert below.beyond_s == sum(value < 90.0 for value in seconds)
    part = [value for value in _each_second(points)[100:250] if value is not None]
    assert above.beyond_s == sum(value > 95.0 for value in part)


@given(_courses())
def test_the_median_is_that_of_numpy_with_time_as_its_weight(points: list[Point]) -> None:
    # numpy.quantile(..., weights=..., method="inverted_cdf"), NumPy 2.
    stretches = held(_curve(points), 1000 * ENDS_S)
    found = figures_of(_curve(points), [], 1000 * ENDS_S)
    if not stretches:
        assert found is None
        return
    expected = np.quantile(
        [one.value for one in stretches],
        0.5,
        weights=[one.to_ms - one.from_ms for one in stretches],
        method="inverted_cdf",
    )
    assert found is not None
    assert found.median == expected


@given(_courses())
def test_what_stands_in_the_record_is_what_was_known_at_that_moment(points: list[Point]) -> None:
    marks = list(range(0, 1000 * ENDS_S, 7000))
    seconds = _each_second(points)
    assert at_marks(_curve(points), marks, 1000 * ENDS_S) == [seconds[ms // 1000] for ms in marks]


def test_a_breath_holds_longer_than_a_reading() -> None:
    points: list[Point] = [(0, 20.0), (60_000, 22.0)]
    breaths = Curve(Vital.VOLUME, "breath", points)
    assert [(one.from_ms, one.to_ms) for one in held(breaths, 200_000)] == [
        (0, 60_000),
        (60_000, 150_000),
    ]


def test_a_limit_that_changed_with_the_phase_counts_each_for_its_time() -> None:
    points: list[Point] = [(1000 * at, 93.0) for at in range(100)]
    lines = [_line(90.0, "below", 0, 50), _line(95.0, "below", 50, 100)]
    found = figures_of(_curve(points), lines, 100_000)
    assert found is not None
    [one] = found.beyond
    assert (one.value, one.beyond_s) == (95.0, 50.0)


@pytest.mark.parametrize(
    ("minutes", "every"), [(2, 1), (36, 1), (37, 5), (180, 5), (181, 10), (2160, 60), (5000, 180)]
)
def test_a_record_is_as_long_as_can_be_read(minutes: int, every: int) -> None:
    assert step_ms(0, minutes * 60_000) == every * 60_000
