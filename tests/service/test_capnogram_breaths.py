"""Breaths in CO2: a rise and a fall, whatever the level; flat or slowly falling CO2 is none."""

from __future__ import annotations

import math
import random
from statistics import median

import pytest
from wave_shapes import BEGIN_S, Expiration, Known, Sample

from service.signals.capnogram import Capnogram, Co2Breath

RATE_HZ = 25.0


def breaths_in(samples: list[Known] | list[Sample]) -> list[Co2Breath]:
    """All breaths of one run."""
    return Capnogram().feed(list(samples), "d:e:1")


def line(minutes: float, at: float, per_s: float = 0.0, noise: float = 0.0) -> list[Known]:
    """CO2 that stays, or falls in a straight line to zero."""
    chance = random.Random(9)
    return [
        (BEGIN_S + n / RATE_HZ, max(0.0, at + per_s * n / RATE_HZ) + chance.gauss(0.0, noise))
        for n in range(round(60 * minutes * RATE_HZ))
    ]


@pytest.mark.parametrize(
    "wave",
    [
        Expiration(),
        Expiration(end_tidal=48.0, inspired=10.0),
        Expiration(end_tidal=12.0),
        Expiration(end_tidal=90.0),
        Expiration(inspiration_s=0.4, expiration_s=0.6),
        Expiration(inspiration_s=3.0, expiration_s=7.0),
    ],
    ids=["plain", "raised baseline", "low", "high", "60 a minute", "6 a minute"],
)
def test_every_breath_with_its_values(wave: Expiration) -> None:
    found = breaths_in(wave.samples(12))
    assert len(found) == 12
    for number, breath in enumerate(found):
        expired_s = BEGIN_S + number * wave.period_s + wave.inspiration_s
        assert breath.start_s == pytest.approx(expired_s, abs=0.085)
        assert breath.end_s == pytest.approx(expired_s + wave.expiration_s, abs=0.1)
        assert breath.etco2_mmhg == pytest.approx(wave.end_tidal, abs=0.5)
        assert breath.fico2_mmhg == pytest.approx(wave.inspired, abs=0.5)
        if number:
            assert breath.period_s == pytest.approx(wave.period_s, abs=0.17)
    assert found[0].period_s is None


def test_noise_moves_values_and_rate_by_little() -> None:
    wave = Expiration(noise=0.3)
    found = breaths_in(wave.samples(40))
    assert len(found) == 40
    for breath in found:
        assert breath.etco2_mmhg == pytest.approx(38.0, abs=0.5 + 4 * wave.noise)
        assert breath.fico2_mmhg == pytest.approx(0.0, abs=0.5 + 4 * wave.noise)
    # The onset is found anywhere in the flat inspiration, so single periods say little.
    periods = [breath.period_s for breath in found if breath.period_s is not None]
    assert median(periods) == pytest.approx(wave.period_s, rel=0.05)


def rebreathing(period_s: float, breaths: int) -> list[Sample]:
    """Six clean breaths, then more and more is breathed in again: CO2 swings from 32 to 45."""
    times = {"inspiration_s": 0.4 * period_s, "expiration_s": 0.6 * period_s}
    clean = Expiration(end_tidal=38.0, **times)
    samples = clean.samples(6)[: round(6 * period_s * RATE_HZ)]
    for number in range(breaths):
        one = Expiration(end_tidal=45.0, inspired=min(32.0, 10.0 * (number + 1)), **times)
        begin_s = BEGIN_S + (6 + number) * period_s
        samples += one.samples(1, begin_s=begin_s)[: round(period_s * RATE_HZ)]
    return samples


@pytest.mark.parametrize("period_s", [1.5, 4.0, 8.0])
def test_breaths_in_which_most_is_breathed_in_again_are_still_seen(period_s: float) -> None:
    # Seven tenths of what is inspired was expired before.
    found = breaths_in(rebreathing(period_s, 14))
    assert len(found) >= 19
    assert [b.fico2_mmhg for b in found[-8:]] == pytest.approx([32.0] * 8, abs=1.0)


@pytest.mark.parametrize("ripple_mmhg", [3.0, 5.0, 6.0])
def test_after_rebreathing_the_ripple_of_the_heart_is_no_breath(ripple_mmhg: float) -> None:
    chance = random.Random(3)
    samples = rebreathing(4.0, 10)
    end_s = samples[-1][0]
    still = [
        (
            end_s + n / RATE_HZ,
            44.0
            + 0.5 * ripple_mmhg * math.sin(2.0 * math.pi * 3.0 * n / RATE_HZ)
            + chance.gauss(0.0, 0.05),
        )
        for n in range(1, round(60 * RATE_HZ))
    ]
    found = breaths_in(samples + still)
    assert [b for b in found if b.end_s > end_s + 8.0] == []


def test_rebreathing_shows_as_inspired_co2_of_the_breath_it_went_before() -> None:
    clean = Expiration(end_tidal=40.0, inspired=0.0)
    again = Expiration(end_tidal=45.0, inspired=8.0)
    first = clean.samples(5)[: round(5 * clean.period_s * RATE_HZ)]
    then = again.samples(5, begin_s=BEGIN_S + 5 * clean.period_s)
    inspired = [breath.fico2_mmhg for breath in breaths_in(first + then)]
    assert inspired == pytest.approx([0.0] * 5 + [8.0] * 5, abs=0.5)


@pytest.mark.parametrize("level", [0.0, 20.0, 45.0, 80.0])
def test_flat_co2_is_no_breath_however_high(level: float) -> None:
    assert breaths_in(line(10, level)) == []
    assert breaths_in(line(10, level, noise=0.3)) == []


@pytest.mark.parametrize("per_s", [-0.2, -0.5, -1.0])
def test_a_slow_decline_is_no_breath(per_s: float) -> None:
    assert breaths_in(line(5, 45.0, per_s)) == []


def test_after_the_last_breath_a_slow_decline_counts_for_none() -> None:
    wave = Expiration()
    breathing = wave.samples(6)[: -round(wave.inspiration_s * RATE_HZ)]
    end_s, level = breathing[-1]
    fading = [(end_s + n / RATE_HZ, max(0.0, level - 0.5 * n / RATE_HZ)) for n in range(1, 3000)]
    assert len(breaths_in(breathing + fading)) == len(breaths_in(breathing))


def test_breaths_that_become_much_smaller_are_seen_again() -> None:
    # Circulation fails, or the sample is diluted: CO2 still moves with each breath.
    large, small = Expiration(end_tidal=40.0), Expiration(end_tidal=6.0)
    first = large.samples(10)[: round(10 * large.period_s * RATE_HZ)]
    then = small.samples(20, begin_s=BEGIN_S + 10 * large.period_s)
    found = breaths_in(first + then)
    late = [b for b in found if b.start_s > BEGIN_S + 18 * large.period_s]
    assert len(late) >= 10
    assert all(b.etco2_mmhg == pytest.approx(6.0, abs=0.5) for b in late)


def test_cardiogenic_ripples_on_the_plateau_are_no_breaths() -> None:
    # Small steps after the plateau, at the pulse (Anderson & Breen 2000 Crit Care 4:207).
    wave = Expiration(inspiration_s=1.0, expiration_s=5.0)
    rippled = [
        (t, co2 - (2.0 if co2 > 30.0 and int(5 * t) % 2 else 0.0)) for t, co2 in wave.samples(10)
    ]
    assert len(breaths_in(rippled)) == 10


def test_lost_samples_cost_the_breath_they_fall_in_and_no_more() -> None:
    wave = Expiration()
    lost_s = BEGIN_S + 3 * wave.period_s + 1.2
    holes: list[Sample] = [
        (t, None if lost_s <= t < lost_s + 0.8 else co2) for t, co2 in wave.samples(10)
    ]
    found = breaths_in(holes)
    assert 9 <= len(found) <= 10
    for breath in found:
        assert breath.etco2_mmhg == pytest.approx(38.0, abs=0.5)
        assert breath.fico2_mmhg is None or breath.fico2_mmhg == pytest.approx(0.0, abs=0.5)
        assert breath.period_s is None or breath.period_s == pytest.approx(2.6, abs=0.1)


def test_single_lost_samples_change_little() -> None:
    chance = random.Random(4)
    wave = Expiration()
    holes: list[Sample] = [
        (t, None if chance.random() < 0.1 else co2) for t, co2 in wave.samples(30)
    ]
    found = breaths_in(holes)
    assert len(found) == 30
    assert all(b.etco2_mmhg == pytest.approx(38.0, abs=0.5) for b in found)


def test_inspired_co2_of_zero_is_seen_from_the_first_breath_on() -> None:
    # Analysers show 0.0 during inspiration, so a stream often begins with exactly that.
    found = breaths_in(Expiration(inspired=0.0).samples(2))
    assert found[0].fico2_mmhg == 0.0
