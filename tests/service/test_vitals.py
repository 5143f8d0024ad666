"""Which readings of a monitor can be: leaps are doubted, a fast desaturation never for long."""

from __future__ import annotations

import math
from dataclasses import asdict

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter
from scipy.stats import linregress

from service.physiology import apnoea, oxygen
from service.signals import vitals
from service.signals.vitals import Trend, Vitals, emptied_percent, reachable

START_MS = 1_795_611_600_000
Reading = tuple[float, float]


class Monitor:
    """Readings by seconds since the start; device and receipt at the same time."""

    def __init__(self, mass_kg: float | None = 3.0) -> None:
        self.vitals = Vitals()
        self.mass_kg = mass_kg

    def take(self, name: str, *readings: Reading, late_s: float = 0.0) -> None:
        for at_s, value in readings:
            at_ms = START_MS + round(1000 * at_s)
            self.vitals.take(name, value, at_ms, at_ms + round(1000 * late_s), self.mass_kg)

    def doubt(self, name: str, at_s: float) -> str | None:
        trend: Trend = getattr(self.vitals, name)
        return trend.doubted(START_MS + round(1000 * at_s))


def steady(value: float, seconds: int, start: int = 0) -> list[Reading]:
    return [(float(start + s), value) for s in range(seconds)]


# -- saturation ---------------------------------------------------------------------------------


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


# -- temperature --------------------------------------------------------------------------------


def test_a_probe_that_falls_out_is_told_within_seconds() -> None:
    # Air of 22 °C, a probe that follows with 30 s: common practice, no source.
    monitor = Monitor()
    monitor.take("temperature", *steady(37.4, 60))
    first = None
    for second in range(60, 400):
        shown = 22.0 + 15.4 * math.exp(-(second - 60) / 30.0)
        monitor.take("temperature", (float(second), round(shown, 1)))
        doubt = monitor.doubt("temperature", second)
        if doubt and first is None:
            first = second, doubt
        assert first is None or doubt is not None
    # The first readings that contradict it are 29 s old: 1.0 °C is over 0.5 + 29/60.
    assert first == (62, "temperature fell 1.0 °C in 29 s: probe out of place?")


def test_a_leap_of_temperature_in_ten_seconds() -> None:
    monitor = Monitor()
    monitor.take("temperature", (0.0, 37.0), (10.0, 31.0))
    assert monitor.doubt("temperature", 10.0) == (
        "temperature fell 6.0 °C in 10 s: probe out of place?"
    )
    # Back in place it is believed at once.
    monitor.take("temperature", (20.0, 36.8))
    assert monitor.doubt("temperature", 20.0) is None


def test_a_fall_is_believed_once_there_was_time_for_it() -> None:
    # 6.0 °C need 5.5 min at 1 °C a minute, beyond the half degree for noise.
    monitor = Monitor()
    monitor.take("temperature", (0.0, 37.0))
    monitor.take("temperature", *[(float(s), 31.0) for s in range(10, 330, 5)])
    assert monitor.doubt("temperature", 329.0) is not None
    monitor.take("temperature", (330.0, 31.0))
    assert monitor.doubt("temperature", 330.0) is None


def test_a_probe_just_put_in_place_is_believed_when_it_has_warmed_up() -> None:
    monitor = Monitor()
    monitor.take("temperature", *steady(22.0, 30))
    for second in range(30, 300):
        shown = 38.0 - 16.0 * math.exp(-(second - 30) / 20.0)
        monitor.take("temperature", (float(second), round(shown, 1)))
        doubt = monitor.doubt("temperature", second)
        if second == 60:
            assert doubt is not None
            assert "warming up" in doubt
        if doubt is None and second > 40:
            break
    # Believed after 30 s within 0.3 °C, and then right to that.
    assert 100 < second < 150
    assert shown == pytest.approx(38.0, abs=0.4)
    monitor.take("temperature", *steady(38.0, 30, second + 1))
    assert monitor.doubt("temperature", second + 31) is None


@settings(max_examples=80)
@given(
    per_min=st.floats(-1.0, 1.0), noise=st.lists(st.floats(-0.2, 0.2), min_size=60, max_size=200),
    every_s=st.sampled_from([1.0, 5.0, 30.0]),
)  # fmt: skip
def test_an_animal_that_cools_or_warms_is_never_doubted(
    per_min: float, noise: list[float], every_s: float
) -> None:
    monitor = Monitor()
    for number, error in enumerate(noise):
        at_s = number * every_s
        monitor.take("temperature", (at_s, round(36.0 + per_min * at_s / 60.0 + error, 1)))
        assert monitor.doubt("temperature", at_s) is None


# -- pulse --------------------------------------------------------------------------------------


def test_a_pulse_that_never_moves_is_stuck_after_five_minutes() -> None:
    monitor = Monitor()
    monitor.take("pulse_rate", *steady(180.0, 301))
    assert not monitor.vitals.pulse_stuck(START_MS + 299_999)
    assert monitor.vitals.pulse_stuck(START_MS + 300_000)
    monitor.take("pulse_rate", (301.0, 181.0))
    assert not monitor.vitals.pulse_stuck(START_MS + 301_000)


def test_a_pulse_that_was_away_begins_anew() -> None:
    monitor = Monitor()
    monitor.take("pulse_rate", *steady(180.0, 200), *steady(180.0, 200, 211))
    assert not monitor.vitals.pulse_stuck(START_MS + 411_000)
    # And nobody is told that it is stuck when it no longer comes.
    monitor.take("pulse_rate", *steady(180.0, 200, 411))
    assert monitor.vitals.pulse_stuck(START_MS + 611_000)
    assert not monitor.vitals.pulse_stuck(START_MS + 621_001)


# -- state --------------------------------------------------------------------------------------


@settings(max_examples=40)
@given(
    cut=st.integers(1, 59),
    values=st.lists(
        st.tuples(
            st.sampled_from(["spo2", "temperature", "pulse_rate", "rr"]), st.floats(0.0, 100.0)
        ),
        min_size=60,
        max_size=60,
    ),
)
def test_written_down_and_taken_up_it_goes_on_as_before(
    cut: int, values: list[tuple[str, float]]
) -> None:
    kept = TypeAdapter(Vitals)
    whole, parted = Monitor(), Monitor()
    for number, (name, value) in enumerate(values):
        if number == cut:
            parted.vitals = kept.validate_json(kept.dump_json(parted.vitals))
        whole.take(name, (float(number), value))
        parted.take(name, (float(number), value))
    assert asdict(whole.vitals) == asdict(parted.vitals)


def test_state_is_bounded() -> None:
    monitor = Monitor()
    for number in range(5000):
        monitor.take("spo2", (number / 50.0, 97.0))
        monitor.take("temperature", (number / 50.0, 37.0))
    assert len(monitor.vitals.spo2.believed) <= 122
    assert len(monitor.vitals.temperature.believed) <= 122
    assert vitals.TREND_MS == 60_000
