"""Details of single breaths, each drawn for one question."""

from __future__ import annotations

import math
from statistics import mean

import pytest
from capnogram_waves import BEGIN_S, Wave, found_in, make, matched

from service.signals.capnogram import Capnogram, Co2Breath


def breaths_of(values: list[float], rate_hz: float) -> list[Co2Breath]:
    """All breaths of these samples."""
    return Capnogram().feed([(BEGIN_S + at / rate_hz, v) for at, v in enumerate(values)], "d:e:1")


def test_a_sample_within_the_fall_is_not_end_tidal() -> None:
    """At 10 Hz one sample came just after the fall had begun."""
    values = [0.0, 0.0, 0.0, 20.0, 35.0, *[37.0] * 6, 35.5, 20.0, 3.0, 0.0]
    (breath,) = breaths_of(values, 10.0)
    assert breath.etco2_mmhg == pytest.approx(37.0, abs=0.05)
    assert breath.down_s == pytest.approx(BEGIN_S + 1.0)


@pytest.mark.parametrize("tau_s", [0.1, 0.2, 0.4])
def test_a_rise_that_is_cut_off_ends_where_it_is_cut(tau_s: float) -> None:
    """No plateau: the end is read from the bent curve, not from a line through all of it."""
    rate_hz, lasts_s = 50.0, 0.4
    rise = [40.0 * -math.expm1(-at / rate_hz / tau_s) for at in range(int(lasts_s * rate_hz) + 1)]
    fall = [rise[-1] * math.exp(-at / rate_hz / tau_s) for at in range(1, 40)]
    (breath,) = breaths_of([0.0] * 10 + rise + fall, rate_hz)
    assert breath.etco2_mmhg == pytest.approx(rise[-1], abs=0.4)
    # Phase III is not flat there until some four time constants have passed.
    assert (breath.slope_mmhg_per_s is not None) == (lasts_s / tau_s >= 4.0)


def test_one_loud_sample_is_not_end_tidal() -> None:
    made = make(Wave(rate_hz=25.0, rr=20.0, noise=0.1, seed=2))
    plain = [b.etco2_mmhg for b in found_in(made)]
    made.samples[:] = [
        (t, v + 6.0 if v is not None and v > 35.0 and number % 17 == 0 else v)
        for number, (t, v) in enumerate(made.samples)
    ]
    loud = [b.etco2_mmhg for b in found_in(made)]
    assert len(loud) == len(plain)
    assert loud == pytest.approx(plain, abs=0.5)


@pytest.mark.parametrize("ripple_hz", [2.0, 3.0, 5.0])
def test_tall_steps_at_the_pulse_are_no_notches_and_no_end_tidal(ripple_hz: float) -> None:
    """Of 4 mmHg from low to high, on every plateau."""
    made = make(Wave(rr=10.0, rise_10_90_s=0.06, ripple=2.0, ripple_hz=ripple_hz, slope=0.0))
    pairs, over = matched(made, found_in(made))
    assert len(pairs) == len(made.truths)
    assert over == 0
    for truth, breath in pairs:
        assert breath.notch_mmhg is None
        assert breath.ripple_mmhg == pytest.approx(4.0, rel=0.25)
        assert breath.ripple_per_min == pytest.approx(60.0 * ripple_hz, rel=0.08)
        assert breath.etco2_mmhg == pytest.approx(truth.etco2, abs=1.0)


def test_a_notch_is_placed_and_measured() -> None:
    made = make(Wave(rr=15.0, notch=8.0, rise_10_90_s=0.06, slope=0.0))
    for truth, breath in matched(made, found_in(made))[0]:
        if truth.notch < 1.0:
            assert breath.notch_mmhg is None
            continue
        assert breath.notch_mmhg == pytest.approx(truth.notch, abs=0.5)
        assert breath.notch_s is not None
        lasts_s = (truth.fall_s - truth.rise_s) * 15.0 / 14.0
        expected_s = truth.fall_s - 0.35 * lasts_s
        assert breath.notch_s - BEGIN_S == pytest.approx(expected_s, abs=0.1)


@pytest.mark.parametrize(("per_s", "flat"), [(0.0, True), (0.2, True), (3.0, False), (6.0, False)])
def test_inspired_co2_that_is_washed_away_is_not_flat(per_s: float, flat: bool) -> None:
    """It starts at 12 mmHg and fresh gas takes it away at this rate, over 1.6 s."""
    rate_hz = 25.0
    inspiration = [12.0 - per_s * at / rate_hz for at in range(40)]
    expiration = [40.0 - 28.0 * math.exp(-at / 3.0) for at in range(40)]
    breaths = breaths_of((inspiration + expiration) * 6 + inspiration, rate_hz)[1:]
    assert len(breaths) == 5
    for breath in breaths:
        assert breath.fico2_flat is flat
        # The lowest mean over a quarter of it.
        assert breath.fico2_mmhg == pytest.approx(mean(inspiration[-10:]), abs=0.3)


def test_a_hole_hides_breaths_and_joins_none() -> None:
    """A second is lost, in which one breath ended and another began."""
    wave = Wave(rate_hz=50.0, rr=60.0, breaths=20)
    made = make(wave)
    lost_s = made.truths[8].fall_s - 0.2
    made.samples[:] = [(t, v) for t, v in made.samples if not lost_s <= t - BEGIN_S < lost_s + 1.0]
    found = found_in(made)
    assert len(found) in (18, 19)
    assert max(breath.expired_s for breath in found) < 0.75
    assert max(breath.period_s for breath in found if breath.period_s is not None) < 1.2


def test_a_late_rise_of_the_plateau_is_followed_to_its_end() -> None:
    """A flat second, then 4 mmHg in the last 0.3 s: the line is that of the last stretch."""
    rate_hz = 50.0
    late = [36.0 + 4.0 * at / 15.0 for at in range(1, 16)]
    values = [0.0] * 20 + [12.0, 24.0] + [36.0] * 50 + late + [20.0, 6.0] + [0.0] * 10
    (breath,) = breaths_of(values, rate_hz)
    assert breath.etco2_mmhg == pytest.approx(40.0, abs=0.5)
