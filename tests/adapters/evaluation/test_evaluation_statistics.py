"""Shares, rates and delays: worked values, SciPy, and what defines an exact interval."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from adapters.evaluation.statistics import (
    median_interval,
    predictive_value,
    quantile,
    rate,
    ratio_of_rates,
    share,
)


@pytest.mark.parametrize(
    ("hits", "of", "low", "high"),
    [
        # Worked with the beta quantiles of Clopper & Pearson (Biometrika 1934).
        (45, 50, 0.7819, 0.9667),
        (50, 50, 0.9289, 1.0),
        (0, 60, 0.0, 0.05963),
    ],
)
def test_worked_shares(hits: int, of: int, low: float, high: float) -> None:
    found = share(hits, of)
    assert found.value == hits / of
    assert found.low == pytest.approx(low, abs=5e-5)
    assert found.high == pytest.approx(high, abs=5e-5)


@given(st.integers(1, 3000), st.data())
def test_shares_are_those_of_scipy(of: int, data: st.DataObject) -> None:
    hits = data.draw(st.integers(0, of))
    expected = stats.binomtest(hits, of).proportion_ci(0.95, method="exact")
    found = share(hits, of)
    assert found.low == pytest.approx(expected.low, abs=1e-9)
    assert found.high == pytest.approx(expected.high, abs=1e-9)


@pytest.mark.parametrize(
    ("count", "value", "low", "high"),
    [(3, 0.1250, 0.02578, 0.3653), (0, 0.0, 0.0, 0.1537)],
)
def test_worked_rates(count: int, value: float, low: float, high: float) -> None:
    found = rate(count, 24.0)
    assert found.value == pytest.approx(value)
    assert found.low == pytest.approx(low, rel=5e-4)
    assert found.high == pytest.approx(high, rel=5e-4)


@given(st.integers(0, 500), st.floats(0.01, 1000.0))
def test_an_exact_rate_leaves_its_tail_on_each_side(count: int, hours: float) -> None:
    # What defines the interval (Garwood 1936): at each end the counts as far out have 2.5 %.
    found = rate(count, hours)
    assert found.low is not None
    assert found.high is not None
    assert stats.poisson.cdf(count, found.high * hours) == pytest.approx(0.025, rel=1e-6)
    if count:
        assert stats.poisson.sf(count - 1, found.low * hours) == pytest.approx(0.025, rel=1e-6)


def test_worked_predictive_value() -> None:
    # Bayes: at a prevalence of 1 % a test right in 95 % of both is right in 16 % of its alarms.
    assert predictive_value(0.95, 0.95, 0.01) == pytest.approx(0.1610, abs=5e-5)
    with pytest.raises(ValueError, match="no predictive value"):
        predictive_value(0.0, 1.0, 0.5)


def test_nothing_counted_is_unknown() -> None:
    assert share(0, 0).value is None
    assert rate(0, 0.0).value is None
    assert quantile([], 0.5) is None
    assert median_interval([]).value is None


def test_counts_that_cannot_be_are_refused() -> None:
    with pytest.raises(ValueError, match="hits must lie between 0 and 3"):
        share(4, 3)
    with pytest.raises(ValueError, match="must not be below zero"):
        rate(-1, 2.0)
    with pytest.raises(ValueError, match="not paired"):
        ratio_of_rates([1], [1, 2], 1)


def test_quantiles_by_nearest_rank() -> None:
    values = list(range(1, 21))
    assert quantile(values, 0.95) == 19
    assert quantile(values, 1.0) == 20
    assert quantile([7.0], 0.5) == 7.0


@pytest.mark.parametrize("n", [6, 7, 20, 51, 400, 1029, 1030, 2500, 5000])
def test_the_median_lies_between_the_ranks_of_the_sign_test(n: int) -> None:
    # Distribution-free: by the binomial with 1/2 the interval holds the median in 95 % or more,
    # and the next narrower one in less (SciPy's binomial; Conover 1999, section 3.2).
    found = median_interval([float(i) for i in range(1, n + 1)])
    assert found.low is not None
    assert found.high is not None
    left_out = round(found.low) - 1
    assert found.high == n - left_out
    tail = stats.binom.cdf(left_out, n, 0.5)
    assert 2.0 * stats.binom.cdf(left_out - 1 if left_out else -1, n, 0.5) <= 0.05
    assert 2.0 * tail <= 0.05 or left_out == 0
    assert 2.0 * stats.binom.cdf(left_out + 1, n, 0.5) > 0.05


def test_with_few_values_the_median_has_no_interval() -> None:
    # 2 x (1/2)^5 = 6.25 %: five values cannot hold it at 95 %.
    assert median_interval([1.0, 2.0, 3.0, 4.0, 5.0]).low is None
    assert median_interval([1.0, 2.0, 3.0, 4.0, 5.0, 6.0]).low == 1.0


def test_a_ratio_of_counts_on_the_same_cases() -> None:
    # Two independent Poisson counts a case: the logarithm of their ratio has the standard error
    # sqrt(1/a + 1/b), which the bootstrap must come near to.
    drawn = random.Random(5)
    ours = [sum(drawn.random() < 0.03 for _ in range(10)) for _ in range(800)]
    theirs = [sum(drawn.random() < 0.06 for _ in range(10)) for _ in range(800)]
    a, b = sum(ours), sum(theirs)
    found = ratio_of_rates(ours, theirs, seed=1)
    wide = 1.96 * (1.0 / a + 1.0 / b) ** 0.5
    assert found.value == pytest.approx(a / b)
    assert found.low is not None
    assert found.high is not None
    assert found.low == pytest.approx(a / b * 2.718281828**-wide, rel=0.05)
    assert found.high == pytest.approx(a / b * 2.718281828**wide, rel=0.05)
    assert found == ratio_of_rates(ours, theirs, seed=1)
