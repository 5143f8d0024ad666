"""What must not be taken for a breath, and what must not hide or split one."""

from __future__ import annotations

import math
import random

import pytest
from wave_shapes import (
    BEGIN_S,
    LEAD_S,
    RATE_HZ,
    Sample,
    Shape,
    Ventilation,
    after_s,
    find,
    ramp,
    square,
)

from service.signals.assembly import JITTER_S
from service.signals.breaths import BreathFinder

TWO_SAMPLES_S = 2.0 / RATE_HZ + 1e-6
WAVE = Ventilation(0.6, 2.0, pip=12.0, peep=2.0)


def _lost(samples: list[tuple[float, float]], begin_s: float, seconds: float) -> list[Sample]:
    """The samples with a stretch lost, counted from the first inflation."""
    begin_s += BEGIN_S + LEAD_S
    return [(t, None if begin_s <= t < begin_s + seconds else p) for t, p in samples]


@pytest.mark.parametrize("noise", [0.07, 0.2, 0.3])
def test_ten_minutes_of_noise_are_no_breath(noise: float) -> None:
    chance = random.Random(7)
    quiet = [(BEGIN_S + at / RATE_HZ, 2.0 + chance.gauss(0.0, noise)) for at in range(60_000)]
    assert find(quiet) == ([], [])


@pytest.mark.parametrize("steepest_cmh2o_per_s", [0.1, 0.5, 1.0])
def test_a_slow_drift_is_no_breath(steepest_cmh2o_per_s: float) -> None:
    omega = 2.0 * math.pi / 60.0
    height = steepest_cmh2o_per_s / omega
    drift = [
        (BEGIN_S + at / RATE_HZ, 3.0 + height * math.sin(omega * at / RATE_HZ))
        for at in range(30_000)
    ]
    assert find(drift) == ([], [])


@pytest.mark.parametrize("ti_s", [5.5, 6.5, 9.0])
def test_an_inflation_that_takes_seconds_is_found(ti_s: float) -> None:
    # Fresh gas that fails to a tenth stretches the way to the target as much.
    quick = Ventilation(0.6, 1.5, pip=8.0).samples(8)
    slow = [(t, p) for t, p in Ventilation(ti_s, 1.5, pip=8.0).samples(5)]
    gap_s = quick[-1][0] - slow[0][0] + 1.0 / RATE_HZ
    inflations, _ = find([*quick, *((t + gap_s, p) for t, p in slow)])
    assert [round(i.ti_s, 1) for i in inflations[8:]] == [pytest.approx(ti_s, abs=0.1)] * 5


def test_breaths_on_a_slow_drift_are_all_found() -> None:
    drifting = [
        (t, p + 2.0 * math.sin(2.0 * math.pi * (t - BEGIN_S) / 40.0)) for t, p in WAVE.samples(30)
    ]
    inflations, _ = find(drifting)
    assert len(inflations) == 30
    for inflation in inflations:
        assert inflation.ti_s == pytest.approx(0.6, abs=TWO_SAMPLES_S)


@pytest.mark.parametrize("depth", [3.0, 6.0, 9.0])
@pytest.mark.parametrize("seconds", [0.1, 0.2, 0.3])
def test_an_effort_against_the_closed_valve_does_not_split_a_breath(
    depth: float, seconds: float
) -> None:
    slow = Ventilation(1.5, 2.5, pip=12.0, peep=2.0)
    begin_s = BEGIN_S + LEAD_S + 5 * slow.period_s + 0.9
    dipped = [
        (t, p - depth if begin_s <= t < begin_s + seconds else p) for t, p in slow.samples(10)
    ]
    inflations, breaths = find(dipped)
    assert len(inflations) == 10
    assert inflations[5].ti_s == pytest.approx(1.5, abs=2 * TWO_SAMPLES_S)
    assert breaths[5].te_s == pytest.approx(2.5, abs=2 * TWO_SAMPLES_S)


def test_an_effort_during_expiration_is_no_breath() -> None:
    begin_s = BEGIN_S + LEAD_S + 4 * WAVE.period_s + 1.6
    gasping = [(t, p - 4.0 if begin_s <= t < begin_s + 0.3 else p) for t, p in WAVE.samples(8)]
    inflations, breaths = find(gasping)
    assert len(inflations) == 8
    assert breaths[4].te_s == pytest.approx(2.0, abs=TWO_SAMPLES_S)


@pytest.mark.parametrize(("before", "after"), [(2.0, 5.0), (5.0, 2.0), (0.0, 3.0), (3.0, 0.0)])
def test_a_change_of_peep_costs_one_breath_at_most(before: float, after: float) -> None:
    begin_s = BEGIN_S + LEAD_S + 6 * WAVE.period_s - 0.9
    old, new = Ventilation(peep=before), Ventilation(peep=after)
    pairs = zip(old.samples(12), new.samples(12), strict=True)
    inflations, _ = find([o if o[0] < begin_s else n for o, n in pairs])
    assert len(inflations) == 12
    for number in (*range(6), *range(7, 12)):
        assert inflations[number].ti_s == pytest.approx(0.6, abs=TWO_SAMPLES_S)
        assert inflations[number].baseline_cmh2o == pytest.approx(
            before if number < 6 else after, abs=0.3
        )


def test_peep_raised_to_half_the_peak_pressure_does_not_hide_the_breaths() -> None:
    # PEEP 5 is put on a target of 10: pressure still swings by 5 cmH2O with every breath.
    begin_s = BEGIN_S + LEAD_S + 6 * WAVE.period_s - 0.9
    old, new = Ventilation(pip=10.0, peep=0.0), Ventilation(pip=10.0, peep=5.0)
    pairs = zip(old.samples(16), new.samples(16), strict=True)
    inflations, _ = find([o if o[0] < begin_s else n for o, n in pairs])
    found = [i for i in inflations if after_s(i) > 9 * WAVE.period_s]
    assert len(found) >= 5
    for inflation in found:
        assert inflation.ti_s == pytest.approx(0.6, abs=TWO_SAMPLES_S)


def test_single_lost_samples_change_nothing() -> None:
    chance = random.Random(3)
    holes: list[Sample] = [(t, None if chance.random() < 0.05 else p) for t, p in WAVE.samples(20)]
    inflations, breaths = find(holes)
    assert len(inflations) == 20
    for inflation in inflations:
        assert inflation.ti_s == pytest.approx(0.6, abs=2 * TWO_SAMPLES_S)
    assert all(breath.te_s is not None for breath in breaths[:-1])


def test_samples_lost_in_expiration_cost_that_expiratory_time_and_no_more() -> None:
    inflations, breaths = find(_lost(WAVE.samples(6), 2 * WAVE.period_s + 1.2, 0.5))
    assert len(inflations) == 6
    assert [breath.te_s is None for breath in breaths] == [False, False, True, False, False, True]
    assert inflations[3].period_s is None
    assert breaths[3].te_s == pytest.approx(2.0, abs=TWO_SAMPLES_S)


@pytest.mark.parametrize("begin_s", [0.05, 0.15, 0.3])
def test_an_inflation_of_which_a_part_was_lost_is_not_reported_wrongly(begin_s: float) -> None:
    inflations, _ = find(_lost(WAVE.samples(6), 2 * WAVE.period_s + begin_s, 0.2))
    for inflation in inflations:
        assert inflation.ti_s == pytest.approx(0.6, abs=TWO_SAMPLES_S)
        assert inflation.baseline_cmh2o == pytest.approx(2.0, abs=0.3)
    assert len(inflations) == 5


@pytest.mark.parametrize("shape", [square, ramp])
@pytest.mark.parametrize(("ti_s", "te_s"), [(0.3, 0.5), (0.3, 0.7), (0.5, 1.0), (0.6, 2.0)])
def test_a_stream_that_begins_within_an_inflation_costs_that_one(
    ti_s: float, te_s: float, shape: Shape
) -> None:
    wave = Ventilation(ti_s, te_s, shape=shape)
    cut_s = BEGIN_S + LEAD_S + 3 * wave.period_s + 0.4 * ti_s
    inflations, _ = find([sample for sample in wave.samples(20) if sample[0] >= cut_s])
    assert len(inflations) == 16
    for inflation in inflations:
        assert inflation.ti_s == pytest.approx(ti_s, abs=TWO_SAMPLES_S)
        assert inflation.baseline_cmh2o == pytest.approx(2.0, abs=0.3)


def test_block_times_that_jitter_cost_no_breath() -> None:
    # A device stamps its blocks a few milliseconds early or late; they still join.
    chance = random.Random(5)
    samples = Ventilation(0.6, 2.0, shape=square).samples(20)
    finder, inflations, breaths = BreathFinder(), [], []
    for at in range(0, len(samples), 50):
        shift_s = chance.uniform(-JITTER_S / 2, JITTER_S / 2)
        found = finder.feed([(t + shift_s, p) for t, p in samples[at : at + 50]], "d:e:1")
        inflations += found.inflations
        breaths += found.breaths
    assert len(inflations) == 20
    assert len(breaths) == 19
    for breath in breaths:
        assert breath.inflation.ti_s == pytest.approx(0.6, abs=TWO_SAMPLES_S + JITTER_S)
        assert breath.te_s == pytest.approx(2.0, abs=TWO_SAMPLES_S + JITTER_S)


def test_a_pressure_that_stays_up_is_one_inflation_that_goes_on() -> None:
    finder = BreathFinder()
    stuck = [(t, p if t < BEGIN_S + LEAD_S + 5 * WAVE.period_s + 0.3 else 7.0)
             for t, p in WAVE.samples(12)]  # fmt: skip
    found = finder.feed(stuck, "d:e:1")
    assert len(found.inflations) == 5
    since = finder.inspiring_since
    assert since is not None
    assert since - BEGIN_S - LEAD_S == pytest.approx(5 * WAVE.period_s, abs=0.1)


@pytest.mark.parametrize("dip_s", [0.2, 0.4])
@pytest.mark.parametrize("every_s", [1.5, 3.0])
def test_efforts_against_a_pressure_that_stays_up_do_not_release_it(
    dip_s: float, every_s: float
) -> None:
    # The animal fights a blocked exhalation: the time that pressure has been up goes on.
    blocked_s = BEGIN_S + LEAD_S + 5 * WAVE.period_s + 0.3
    stuck = [
        (t, p if t < blocked_s else 12.0 - 5.0 * ((t - blocked_s) % every_s > every_s - dip_s))
        for t, p in WAVE.samples(16)
    ]
    finder = BreathFinder()
    assert len(finder.feed(stuck, "d:e:1").inflations) == 5
    since = finder.inspiring_since
    assert since is not None
    assert since - BEGIN_S - LEAD_S == pytest.approx(5 * WAVE.period_s, abs=0.1)


@pytest.mark.parametrize("dip_s", [0.2, 0.4, 0.8])
def test_own_breathing_without_a_ventilator_is_no_inflation(dip_s: float) -> None:
    # From the first sample on, as after a restart of the service during weaning.
    breathing = [
        (BEGIN_S + at / RATE_HZ, -3.0 if at / RATE_HZ % 3.0 > 3.0 - dip_s else 0.0)
        for at in range(6000)
    ]
    finder = BreathFinder()
    assert finder.feed(breathing, "d:e:1").inflations == []
    assert finder.inspiring_since is None


def test_one_excursion_too_small_or_too_short_is_none() -> None:
    quiet = [(BEGIN_S + at / RATE_HZ, 2.0) for at in range(2000)]
    small = [(t, p + 1.4 if 800 <= at < 860 else p) for at, (t, p) in enumerate(quiet)]
    short = [(t, p + 9.0 if 800 <= at < 804 else p) for at, (t, p) in enumerate(quiet)]
    assert find(small)[0] == []
    assert find(short)[0] == []
