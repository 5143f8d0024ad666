"""The course of end-tidal CO2: washout, sudden loss, trend, steady, and none of them by chance."""

from __future__ import annotations

import random
from collections import Counter
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.vocabulary import CO2_COURSES
from service.physiology import allometry, gas_exchange
from service.signals.capnogram_course import COURSES, MAX_BREATHS, Course, Since, course_of

MASSES_KG = (0.03, 0.3, 1.0, 3.0, 10.0)
#: Perfect mixing, FRC / (FRC + VT - VD) on Stahl's lines; computed.
RATIOS = (0.8133, 0.8230, 0.8302, 0.8375, 0.8461)


def known(values: list[float], since: Since | None = None) -> Course:
    course = course_of(values, since)
    assert course is not None
    return course


def washing(ratio: float, falls: int, before: int = 10, start: float = 40.0) -> list[float]:
    """Steady breaths, then so many that each leave `ratio` of the last."""
    return [start] * before + [start * ratio**n for n in range(1, falls + 1)]


def test_the_catalogue_has_the_same_labels() -> None:
    assert COURSES == CO2_COURSES


@pytest.mark.parametrize(("kg", "ratio"), list(zip(MASSES_KG, RATIOS, strict=True)))
@pytest.mark.parametrize("falls", [3, 4, 6, 9])
def test_washout_at_the_ratio_of_each_mass(kg: float, ratio: float, falls: int) -> None:
    animal = allometry.mammal(kg)
    ours = gas_exchange.washout_ratio(
        animal.functional_residual_capacity_ml, animal.tidal_volume_ml, animal.dead_space_ml
    )
    course = known(washing(ours, falls))
    assert course.label == "washout"
    assert course.ratio == pytest.approx(ratio, rel=1e-3)
    assert course.low <= course.ratio <= course.high
    assert course.breaths == falls + 1


@pytest.mark.parametrize(("kg", "ratio"), list(zip(MASSES_KG, RATIOS, strict=True)))
def test_disconnection_is_no_washout(kg: float, ratio: float) -> None:
    """Zero at the next expected breath, whatever the mass; also in the middle of a washout."""
    assert known([40.0] * 10 + [0.0]).label == "sudden-loss"
    period_s = 60.0 / allometry.mammal(kg).rate_per_min
    gone = Since(1.6 * period_s, 0.5, period_s)
    assert known([40.0] * 10, gone).label == "sudden-loss"
    assert known(washing(ratio, 4), gone).label == "sudden-loss"
    assert known([40.0] * 10, Since(1.4 * period_s, 0.5, period_s)).label == "steady"
    # CO2 that stands high without a breath is not lost.
    assert known([40.0] * 10, Since(3.0 * period_s, 30.0, period_s)).label == "steady"


def test_two_falls_are_not_yet_a_washout() -> None:
    assert known(washing(0.83, 2)).label != "washout"
    assert known([40.0] * 8 + [33.0, 33.5, 27.0]).label != "washout"
    assert known(washing(0.83, 3)).label == "washout"


@pytest.mark.parametrize(
    ("ratio", "label"),
    [
        (0.75, "washout"),
        (0.90, "washout"),
        (0.55, "washout"),
        # More than half lost with each breath, and less than 5 %, are no washout.
        (0.45, "sudden-loss"),
        (0.955, "gradual"),
        (0.98, "gradual"),
        (1.02, "gradual"),
        (1.0, "steady"),
        (0.998, "steady"),
    ],
)
def test_by_what_a_breath_leaves_of_the_last(ratio: float, label: str) -> None:
    assert known([40.0 * ratio**n for n in range(8)]).label == label


def test_one_large_step_is_no_washout() -> None:
    """The team halves CO2 by a change of settings; or one breath was missed by the sampling."""
    assert known([40.0] * 8 + [38.5, 37.0, 18.0]).label != "washout"
    assert known([40.0] * 8 + [18.0, 16.5, 15.0]).label != "washout"


def test_a_chest_compression_between_does_not_hide_a_washout() -> None:
    # One breath 0.5 mmHg over the one before it, as in an animal's recording.
    values = [36.9, 33.1, 28.9, 26.0, 23.3, 21.0, 21.5, 20.9, 18.6]
    assert known(values).label == "washout"
    assert known([42.0, 41.0, 43.0, *values]).label == "washout"


def test_recovery_ends_it() -> None:
    values = washing(0.82, 5)
    assert known([*values, 1.4 * values[-1]]).label != "washout"


def test_sudden_loss_ends_when_breaths_come_back() -> None:
    values = [40.0] * 8 + [3.0]
    assert known(values).label == "sudden-loss"
    assert known([*values, 38.0, 39.0, 40.0, 40.0]).label != "sudden-loss"


@pytest.mark.parametrize("ratio", RATIOS)
def test_noise_does_not_hide_a_washout(ratio: float) -> None:
    chance = random.Random(1)
    labels, inside = Counter[str](), 0
    for _ in range(300):
        values = [v * (1.0 + chance.gauss(0.0, 0.02)) for v in washing(ratio, 5)]
        course = known(values)
        labels[course.label] += 1
        inside += course.low <= ratio <= course.high
    assert labels["washout"] >= 297
    assert inside >= 0.80 * 300


@pytest.mark.parametrize("spread", [0.01, 0.02, 0.03])
def test_steady_breathing_is_never_called_a_washout(spread: float) -> None:
    chance = random.Random(2)
    labels = Counter(
        known([40.0 * (1.0 + chance.gauss(0.0, spread)) for _ in range(20)]).label
        for _ in range(2000)
    )
    assert labels["washout"] == labels["sudden-loss"] == 0
    assert labels["steady"] >= 1990


def test_unknown_with_fewer_than_four_breaths() -> None:
    assert course_of([]) is None
    assert course_of([40.0, 33.0, 27.0]) is None


@settings(max_examples=200)
@given(
    values=st.lists(st.floats(-5.0, 200.0), max_size=40),
    scale=st.floats(0.5, 2.0),
    seconds=st.floats(0.0, 100.0),
)
def test_any_values(values: list[float], scale: float, seconds: float) -> None:
    """Always one of the labels, with an interval around the ratio; only the last ones count."""
    course = course_of(values, Since(seconds, 10.0, 2.0))
    if course is None:
        assert len(values) < 4
        return
    assert course.label in COURSES
    assert 0.0 < course.low <= course.ratio <= course.high
    assert course_of(values[-MAX_BREATHS:], Since(seconds, 10.0, 2.0)) == course
    if min(values) > 1.0:
        scaled = course_of([scale * value for value in values])
        plain = course_of(values)
        assert scaled is not None
        assert plain is not None
        assert scaled.ratio == pytest.approx(plain.ratio, rel=1e-6)
    falls = [later <= 0.97 * earlier for earlier, later in pairwise(values[-MAX_BREATHS:])]
    if course.label == "washout":
        assert sum(falls) >= 3
