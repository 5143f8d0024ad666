"""Which saturation can be: leaps are doubted, a fast desaturation is never held back for long."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import linregress
from vital_bench import START_MS, Monitor, steady

from service.physiology import apnoea, oxygen
from service.signals.vitals import emptied_percent, reachable


def test_a_leap_is_doubted_with_words_and_believed_when_it_stays() -> None:
    monitor = Monitor()
    monitor.take("spo2", *steady(97.0, 20), (20.0, 10.0))
    words = "saturation fell from 97 to 10 % in 1 s: probe out of place?"
    assert monitor.doubt("spo2", 20.0) == words
    monitor.take("spo2", (21.0, 11.0), (22.0, 10.0))
    assert monitor.doubt("spo2", 22.9) == words
    # Three seconds after it began nothing is held back any more, whether or not a reading comes.
    assert monitor.doubt("spo2", 23.0) is None
    monitor.take("spo2", (23.0, 10.0))
    assert monitor.doubt("spo2", 23.0) is None
    assert monitor.vitals.spo2.believed[-1] == (START_MS + 23_000, 10.0)


def test_a_smaller_leap_is_believed_as_soon_as_there_was_time_for_it() -> None:
    # 97 to 40 takes (57 - 4)/25 = 2.12 s at least.
    monitor = Monitor()
    monitor.take("spo2", *steady(97.0, 20), (20.0, 40.0), (21.1, 40.0))
    assert monitor.doubt("spo2", 21.1) is not None
    monitor.take("spo2", (21.2, 40.0))
    assert monitor.doubt("spo2", 21.2) is None


def test_a_leap_that_goes_back_was_none() -> None:
    monitor = Monitor()
    monitor.take("spo2", *steady(97.0, 20), (20.0, 0.0), (21.0, 96.0))
    assert monitor.doubt("spo2", 21.0) is None
    assert 0.0 not in [value for _, value in monitor.vitals.spo2.believed]


def test_a_rise_that_cannot_be_is_doubted_too() -> None:
    monitor = Monitor()
    monitor.take("spo2", *steady(60.0, 20), (20.0, 99.0))
    assert monitor.doubt("spo2", 20.0) == (
        "saturation rose from 60 to 99 % in 1 s: probe out of place?"
    )


def test_saturation_that_leaps_again_and_again_is_shown() -> None:
    # Within 30 s of one doubt there is no other: a low animal behind a bad signal must show.
    monitor = Monitor()
    monitor.take("spo2", *steady(97.0, 20), (20.0, 40.0), (21.0, 97.0), (22.0, 40.0))
    assert monitor.doubt("spo2", 22.0) is None
    monitor.take("spo2", *steady(97.0, 27, 23), (50.0, 40.0))
    assert monitor.doubt("spo2", 50.0) is not None


def test_saturation_that_stands_still_for_hours_is_no_fault() -> None:
    monitor = Monitor()
    for second in range(7200):
        monitor.take("spo2", (float(second), 100.0))
        assert monitor.doubt("spo2", second) is None


def test_a_burst_after_a_lost_link_is_no_leap() -> None:
    # Device time counts: eight seconds of falling came at once.
    monitor = Monitor()
    monitor.take("spo2", *steady(97.0, 20))
    for second in range(20, 28):
        at_ms, value = START_MS + 1000 * second, 97.0 - 9.0 * (second - 19)
        monitor.vitals.take("spo2", value, at_ms, START_MS + 28_000, 3.0)
        assert monitor.doubt("spo2", 28.0) is None


def test_a_device_clock_that_is_set_back_starts_afresh() -> None:
    monitor = Monitor()
    monitor.take("spo2", *steady(97.0, 20), (-3600.0, 40.0))
    assert monitor.doubt("spo2", 20.0) is None
    assert list(monitor.vitals.spo2.believed) == [(START_MS - 3_600_000, 40.0)]


def test_worked_reach_of_an_emptying_lung() -> None:
    # 0.3 kg: the whole lung, 713 mmHg, lasts 67.19 x 713/600 = 79.84 s, hurried fourfold 19.96 s:
    # 35.72 mmHg a second. From PAO2 101.8 after 1 s 66.03; S at 66.03 x 26.86/37.00 = 47.93 mmHg.
    share = oxygen.severinghaus_saturation(47.93)
    assert emptied_percent(99.0, 1.0, 0.3) == pytest.approx(100.0 * share, abs=0.1)
    # So a mouse can be anywhere within a second, and an animal of unknown size is one.
    assert emptied_percent(99.0, 1.5, 0.02) < 1.0
    assert reachable(99.0, 0.0, 1.5, None)
    assert not reachable(99.0, 0.0, 1.5, 3.0)
    # An oximeter that averages over 4 s shows at most 25 points a second, and 4 for no reason.
    assert reachable(97.0, 97.0 - 4.0 - 25.0, 1.0, 10.0)
    assert not reachable(97.0, 97.0 - 4.1 - 25.0, 1.0, 10.0)
    assert reachable(60.0, 89.0, 1.0, 10.0)
    assert not reachable(60.0, 89.1, 1.0, 10.0)
    # A small animal that rises is bound by the oximeter alone.
    assert not reachable(60.0, 99.0, 1.0, 0.02)


@settings(max_examples=150)
@given(
    mass=st.floats(0.02, 10.0),
    haste=st.floats(0.25, 4.0),
    on_oxygen=st.booleans(),
    every_s=st.sampled_from([0.5, 1.0, 2.0, 5.0]),
    average_s=st.integers(1, 16),
    known=st.booleans(),
)
def test_a_true_desaturation_is_never_doubted(
    mass: float, haste: float, on_oxygen: bool, every_s: float, average_s: int, known: bool
) -> None:
    # The lung empties (Stahl's FRC and uptake, up to four times as fast); saturation by the curve
    # at the P50 of that size, averaged and rounded as a monitor does.
    p50 = oxygen.p50_by_mass_mmhg(mass)
    start = oxygen.alveolar_po2_mmhg(1.0 if on_oxygen else 0.21, 40.0)
    empty_s = apnoea.store_time_s(mass, start, 0.0) / haste

    def true(t_s: float) -> float:
        return 100.0 * oxygen.saturation(max(0.0, start * (1.0 - max(0.0, t_s) / empty_s)), p50)

    monitor = Monitor(mass if known else None)
    at_s = -10.0
    while at_s < empty_s + average_s + 5.0:
        shown = sum(true(at_s - k * average_s / 16) for k in range(16)) / 16
        monitor.take("spo2", (at_s, float(round(shown))))
        assert monitor.doubt("spo2", at_s) is None
        at_s += every_s


@settings(max_examples=150)
@given(
    values=st.lists(
        st.sampled_from([0.0, 30.0, 60.0, 85.0, 97.0, 100.0]), min_size=20, max_size=120
    ),
    every_s=st.sampled_from([0.2, 1.0, 2.0]),
    mass=st.one_of(st.none(), st.floats(0.02, 10.0)),
)
def test_whatever_comes_is_held_back_for_3_s_in_30_at_most(
    values: list[float], every_s: float, mass: float | None
) -> None:
    monitor = Monitor(mass)
    held: list[float] = []
    step_s = every_s / 4
    for number, value in enumerate(values):
        at_s = number * every_s
        monitor.take("spo2", (at_s, value))
        # Asked between the readings as well.
        for part in range(4):
            if monitor.doubt("spo2", at_s + part * step_s):
                held.append(at_s + part * step_s)
    for start in held:
        within = sum(step_s for t in held if start <= t < start + 30.0)
        assert within <= 3.0 + step_s
    assert len(monitor.vitals.spo2.believed) <= 2 * 60 + 2


@given(before=st.floats(0.0, 100.0), now=st.floats(0.0, 100.0), elapsed=st.floats(0.0, 30.0),
       mass=st.floats(0.02, 10.0), more=st.floats(0.0, 10.0))  # fmt: skip
def test_more_time_or_a_smaller_animal_makes_more_possible(
    before: float, now: float, elapsed: float, mass: float, more: float
) -> None:
    if reachable(before, now, elapsed, mass):
        assert reachable(before, now, elapsed + more, mass)
        assert reachable(before, now, elapsed, None)
    assert reachable(before, before, 0.0, mass)
    if elapsed >= 4.0:
        assert reachable(before, now, elapsed, mass)


# -- trend --------------------------------------------------------------------------------------


def test_slope_is_that_of_scipy() -> None:
    # scipy.stats.linregress over the readings of the last minute.
    monitor = Monitor()
    readings = [(float(s), 97.0 - 0.05 * s + 0.8 * math.sin(s)) for s in range(100)]
    monitor.take("spo2", *readings)
    last = [(s, v) for s, v in readings if s >= 99.0 - 60.0]
    theirs = linregress([s / 60.0 for s, _ in last], [v for _, v in last]).slope
    assert monitor.vitals.spo2_slope_per_min == pytest.approx(theirs, rel=1e-9)
    # Worked: 0.05 % a second is 3 % a minute.
    assert monitor.vitals.spo2_slope_per_min == pytest.approx(-3.0, abs=0.3)


def test_slope_needs_readings_over_20_s() -> None:
    monitor = Monitor()
    monitor.take("spo2", *steady(97.0, 20))
    assert monitor.vitals.spo2_slope_per_min is None
    monitor.take("spo2", (20.0, 97.0))
    assert monitor.vitals.spo2_slope_per_min == pytest.approx(0.0, abs=1e-9)
    sparse = Monitor()
    sparse.take("spo2", (0.0, 97.0), (10.0, 96.0), (20.0, 95.0), (30.0, 94.0))
    assert sparse.vitals.spo2_slope_per_min is None
    sparse.take("spo2", (40.0, 93.0))
    assert sparse.vitals.spo2_slope_per_min == pytest.approx(-6.0)


def test_slope_forgets_what_is_over_a_minute_old() -> None:
    monitor = Monitor()
    monitor.take("spo2", *steady(90.0, 60), *steady(97.0, 62, 60))
    assert monitor.vitals.spo2_slope_per_min == pytest.approx(0.0, abs=1e-9)
