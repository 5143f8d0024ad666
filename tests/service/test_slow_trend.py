"""The slow trend: scipy's Theil-Sen line over the same stretches, and a true slope under noise."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import theilslopes

from service.signals.slow_trend import SlowTrend

START_MS = 1_795_611_600_000


def follow(values: list[tuple[float, float]]) -> SlowTrend:
    trend = SlowTrend()
    for after_s, value in values:
        trend.add(START_MS + round(1000 * after_s), value)
    return trend


@settings(max_examples=60)
@given(seed=st.integers(0, 10**6))
def test_the_line_is_that_of_scipy(seed: int) -> None:
    # scipy.stats.theilslopes, over the means of the complete stretches of ten seconds.
    chance = random.Random(seed)
    times = [10.0 * n + chance.uniform(0.0, 9.9) for n in range(30)]
    values = [40.0 + chance.gauss(0.0, 5.0) for _ in times]
    trend = follow(list(zip(times, values, strict=True)))
    middles = [10.0 * n for n in range(29)]
    slope = theilslopes(values[:29], middles)[0]
    assert trend.slope_per_min == pytest.approx(60.0 * slope, rel=1e-9, abs=1e-9)


def test_one_stretch_in_four_may_be_wrong_altogether() -> None:
    values = [(2.0 * n, 40.0 + 0.05 * n) for n in range(150)]
    wrong = [(t, 0.0 if t % 40.0 < 10.0 else value) for t, value in values]
    assert follow(wrong).slope_per_min == pytest.approx(1.5, abs=0.15)


def test_unknown_while_there_is_too_little_and_once_it_is_old() -> None:
    assert follow([(5.0 * n, 40.0) for n in range(11)]).slope_per_min is None
    trend = follow([(5.0 * n, 40.0) for n in range(20)])
    assert trend.slope_at(START_MS + 100_000) == 0.0
    assert trend.slope_at(START_MS + 200_000) is None


def test_only_the_last_five_minutes_count_and_little_is_kept() -> None:
    values = [(1.0 * s, 40.0) for s in range(600)] + [(600.0 + s, 40.0 + s) for s in range(310)]
    trend = follow(values)
    assert trend.slope_per_min == pytest.approx(60.0, rel=1e-6)
    assert len(trend.stretches) <= 31
