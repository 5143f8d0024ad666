"""Inflations and breaths in CO2 that belong together, whatever the sampling line delays."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.signals.capnogram_agreement import agreement

BEGIN_S = 1_795_611_600.0
END_S = BEGIN_S + 33.0


def releases(rr: float, jitter_s: float = 0.0, seed: int = 1) -> list[float]:
    """Ends of inflations over the window."""
    chance, period = random.Random(seed), 60.0 / rr
    count = int((END_S - BEGIN_S) / period)
    return [BEGIN_S + 0.3 + n * period + chance.uniform(0.0, jitter_s) for n in range(count)]


def rises(of: list[float], delay_s: float, jitter_s: float = 0.0, seed: int = 2) -> list[float]:
    """Rises of CO2 so long after; only of whole breaths, known at the end."""
    chance = random.Random(seed)
    period = of[1] - of[0]
    found = [at + delay_s + chance.uniform(-jitter_s, jitter_s) for at in of]
    return [at for at in found if at + 0.7 * period <= END_S]


@pytest.mark.parametrize("rr", [6.0, 12.0, 30.0, 60.0, 120.0])
@pytest.mark.parametrize("delay_s", [0.05, 0.4, 1.1, 2.5])
def test_all_agree_at_any_delay(rr: float, delay_s: float) -> None:
    inflated = releases(rr, 0.05 * 60.0 / rr)
    made = agreement(inflated, rises(inflated, delay_s, 0.03 * 60.0 / rr), BEGIN_S, END_S)
    assert made.share == 1.0
    assert made.missing_for_inflations == made.breaths_without_pressure == 0
    assert made.delay_s is not None
    # A delay is told but for whole periods: breaths that are all alike cannot tell more.
    period = 60.0 / rr
    over = (made.delay_s - delay_s) / period
    assert abs(over - round(over)) <= 0.1
    assert made.delay_s <= delay_s + 0.1 * period


def test_missing_breaths_are_counted() -> None:
    inflated = releases(20.0)
    seen = rises(inflated, 0.8)
    kept = [at for number, at in enumerate(seen) if number not in (4, 6)]
    made = agreement(inflated, kept, BEGIN_S, END_S)
    assert made.missing_for_inflations == 2
    assert made.matched == made.inflations - 2
    assert made.breaths_without_pressure == 0
    assert made.share == pytest.approx(1.0 - 2.0 / made.inflations)


def test_breaths_of_its_own_are_counted() -> None:
    inflated = releases(10.0)
    own = [at + 3.0 for at in inflated[1:4]]
    seen = sorted([*rises(inflated, 0.5), *own])
    made = agreement(inflated, seen, BEGIN_S, END_S)
    assert made.breaths_without_pressure == 3
    assert made.missing_for_inflations == 0
    assert made.share == 1.0


def test_spontaneous_breathing_without_any_inflation() -> None:
    breaths = [BEGIN_S + 4.0 + 2.0 * n for n in range(14)]
    made = agreement([], breaths, BEGIN_S, END_S)
    assert made.share is None
    assert made.delay_s is None
    assert made.inflations == made.missing_for_inflations == 0
    assert made.breaths_without_pressure == 14


def test_inflations_without_any_co2() -> None:
    """Oesophageal tube, disconnection at the analyser, arrest: nothing comes back."""
    made = agreement(releases(20.0), [], BEGIN_S, END_S)
    assert made.share == 0.0
    assert made.delay_s is None
    assert made.missing_for_inflations == made.inflations >= 8


def test_the_last_inflation_is_given_its_time() -> None:
    """An inflation of just now cannot have come back in CO2 yet."""
    inflated = [BEGIN_S + 3.0 * n for n in range(11)]
    seen = [at + 2.0 for at in inflated if at + 4.5 <= END_S]
    made = agreement(inflated, seen, BEGIN_S, END_S)
    assert made.missing_for_inflations == 0
    assert made.inflations < len(inflated)


def test_what_lies_outside_the_known_time_does_not_count() -> None:
    inflated = releases(20.0)
    seen = rises(inflated, 0.5)
    late = agreement(inflated, seen, BEGIN_S + 15.0, END_S)
    assert late.share == 1.0
    assert late.breaths_without_pressure == 0
    assert late.inflations < agreement(inflated, seen, BEGIN_S, END_S).inflations


def test_random_breaths_do_not_agree_by_chance() -> None:
    chance = random.Random(8)
    shares = []
    for seed in range(50):
        inflated = releases(20.0, 0.6, seed)
        seen = sorted(chance.uniform(BEGIN_S, END_S - 3.0) for _ in inflated)
        share = agreement(inflated, seen, BEGIN_S, END_S).share
        shares.append(share if share is not None else 1.0)
    assert sum(shares) / len(shares) < 0.75


TIMES = st.lists(st.floats(-5.0, 40.0), max_size=30, unique=True).map(
    lambda ats: [BEGIN_S + at for at in sorted(ats)]
)


@settings(max_examples=200)
@given(inflated=TIMES, seen=TIMES)
def test_counts_add_up(inflated: list[float], seen: list[float]) -> None:
    made = agreement(inflated, seen, BEGIN_S, END_S)
    assert made.matched + made.missing_for_inflations == made.inflations <= len(inflated)
    assert 0 <= made.breaths_without_pressure <= len(seen)
    assert made.matched <= len(seen)
    if made.delay_s is not None:
        assert -1.0 <= made.delay_s <= 4.0


def test_breaths_before_a_loss_keep_their_inflations() -> None:
    """CO2 stopped half-way: the breaths until then were no spontaneous ones."""
    inflated = releases(30.0)
    seen = [at for at in rises(inflated, 0.6) if at < BEGIN_S + 12.0]
    made = agreement(inflated, seen, BEGIN_S, END_S)
    assert made.breaths_without_pressure == 0
    assert made.delay_s == pytest.approx(0.6, abs=0.01)
    assert made.matched == sum(1 for at in seen if at - 0.6 >= BEGIN_S + 3.0)
    assert made.missing_for_inflations == made.inflations - made.matched > 5
