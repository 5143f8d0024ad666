"""A thousand simulated capnograms whose truth is known: which breaths, and what they look like.

Sampled at 10 to 500 Hz, breathing 4 to 150 /min, with an analyser of 60 to 400 ms (10-90 %), noise
up to 1 mmHg, steps at the pulse, dilution, drift, rebreathing and notches. The analyser's lag is
first order with tau = T / ln 9 (textbook); shapes after Anderson & Breen, Crit Care 2000;4:207.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from capnogram_waves import BEGIN_S, Truth, Wave, cases, found_in, matched

from service.signals.capnogram import Co2Breath

pytestmark = pytest.mark.slow
CASES = 1000


@dataclass(frozen=True)
class Pair:
    """One true breath and the one found for it."""

    wave: Wave
    truth: Truth
    found: Co2Breath

    @property
    def etco2_error(self) -> float:
        """Against the clean lagged peak, or what the last sample before the fall could show."""
        low, high = sorted((self.truth.seen, self.truth.etco2))
        return self.found.etco2_mmhg - min(max(self.found.etco2_mmhg, low), high)

    @property
    def points(self) -> float:
        """Points of the analysis (50 a second at most) in the expiration."""
        rate_hz = min(50.0, self.wave.rate_hz)
        return (self.truth.fall_s - self.truth.rise_s) * rate_hz


@dataclass
class Outcome:
    """All cases together."""

    true: int
    over: int
    pairs: list[Pair]


@pytest.fixture(scope="module")
def outcome() -> Outcome:
    result = Outcome(0, 0, [])
    for wave, made in cases(CASES, seed=5):
        found = found_in(made)
        pairs, over = matched(made, found)
        result.true += len(made.truths)
        result.over += over
        result.pairs += [Pair(wave, truth, breath) for truth, breath in pairs]
    return result


def test_breaths_are_found_and_no_others(outcome: Outcome) -> None:
    assert outcome.true >= 10_000
    assert len(outcome.pairs) / outcome.true >= 0.995
    assert len(outcome.pairs) / (len(outcome.pairs) + outcome.over) >= 0.995


@pytest.mark.parametrize(
    ("noise", "within_1_mmhg"), [(0.0, 0.995), (0.1, 0.985), (0.3, 0.985), (0.5, 0.97), (1.0, 0.87)]
)
def test_end_tidal_within_1_mmhg(outcome: Outcome, noise: float, within_1_mmhg: float) -> None:
    """Of single breaths; at 1 mmHg of noise a breath of few samples cannot be better."""
    errors = [abs(p.etco2_error) for p in outcome.pairs if p.wave.noise == noise]
    assert len(errors) > 1000
    assert np.mean(np.array(errors) <= 1.0) >= within_1_mmhg


def test_end_tidal_of_enough_samples_within_1_mmhg_at_any_noise(outcome: Outcome) -> None:
    errors = [p.etco2_error for p in outcome.pairs if p.points >= 25]
    assert len(errors) > 4000
    assert np.mean(np.abs(errors) <= 1.0) >= 0.985
    # Neither the highest sample nor the mean of the plateau: without bias.
    assert abs(np.median(errors)) <= 0.05
    noisy = [p.etco2_error for p in outcome.pairs if p.points >= 25 and p.wave.noise == 1.0]
    assert abs(np.median(noisy)) <= 0.15


def test_end_tidal_of_each_case_within_1_mmhg(outcome: Outcome) -> None:
    """The median of a case with at least 5 points an expiration."""
    by_case: dict[int, list[float]] = {}
    for pair in outcome.pairs:
        if pair.points >= 5:
            by_case.setdefault(pair.wave.seed, []).append(pair.etco2_error)
    medians = np.abs([np.median(errors) for errors in by_case.values()])
    assert len(medians) > 900
    assert np.mean(medians <= 1.0) >= 0.995
    assert medians.max() <= 1.6


def test_inspired_co2(outcome: Outcome) -> None:
    errors = np.array(
        [p.found.fico2_mmhg - p.truth.inspired for p in outcome.pairs if p.found.fico2_mmhg]
    )
    assert np.mean(np.abs(errors) <= 1.0) >= 0.94
    quiet = [
        p.found.fico2_mmhg - p.truth.inspired
        for p in outcome.pairs
        if p.found.fico2_mmhg and p.points >= 10 and p.wave.noise <= 0.3
    ]
    assert np.mean(np.abs(quiet) <= 1.0) >= 0.99


def test_phases_are_in_order(outcome: Outcome) -> None:
    for pair in outcome.pairs:
        found = pair.found
        assert found.plateau_s is not None
        assert found.down_s is not None
        assert found.start_s <= found.plateau_s <= found.down_s <= found.end_s
        assert found.baseline_s is None or found.baseline_s <= found.start_s


def test_phases_begin_when_they_did(outcome: Outcome) -> None:
    """Phase II within two samples and a twentieth of the period; phase 0 within 1.5 samples."""
    quiet = [p for p in outcome.pairs if p.wave.noise <= 0.3]
    rises = [
        abs(p.found.start_s - BEGIN_S - p.truth.rise_s)
        <= 2.0 / min(50.0, p.wave.rate_hz) + 0.05 * p.wave.period_s
        for p in quiet
    ]
    assert np.mean(rises) >= 0.985
    falls = [
        abs(p.found.down_s - BEGIN_S - p.truth.fall_s) <= 1.5 / p.wave.rate_hz + 0.05
        for p in quiet
        if p.found.down_s is not None
    ]
    assert np.mean(falls) >= 0.98


def test_expiratory_time_and_period(outcome: Outcome) -> None:
    errors = [
        (p.found.expired_s - (p.truth.fall_s - p.truth.rise_s)) / p.wave.period_s
        for p in outcome.pairs
        if p.points >= 10 and p.wave.noise <= 0.3
    ]
    assert np.mean(np.abs(errors) <= 0.1) >= 0.98


def _has_plateau(pair: Pair) -> bool | None:
    """By the truth: long against the analyser's lag, or about as short; None between."""
    flat_s = (1.0 - 1.0 / 15.0 - 0.1) * (pair.truth.fall_s - pair.truth.rise_s)
    lags = flat_s / pair.wave.tau_s
    return True if lags >= 6.0 else False if lags <= 2.0 else None


def test_plateau_or_none(outcome: Outcome) -> None:
    clear = [
        p for p in outcome.pairs if p.points >= 12 and p.wave.noise <= 0.3 and not p.wave.notch
    ]
    long = [p for p in clear if _has_plateau(p) is True]
    short = [p for p in clear if _has_plateau(p) is False]
    assert len(long) > 500
    assert np.mean([p.found.slope_mmhg_per_s is not None for p in long]) >= 0.97
    assert len(short) > 15
    assert np.mean([p.found.slope_mmhg_per_s is None for p in short]) >= 0.97


def test_slope_of_the_plateau(outcome: Outcome) -> None:
    errors = [
        p.found.slope_mmhg_per_s - p.wave.slope * p.wave.dilution
        for p in outcome.pairs
        if p.found.slope_mmhg_per_s is not None
        and (p.found.plateau_lasts_s or 0.0) >= 1.0
        and p.wave.noise <= 0.3
        and not p.wave.notch
    ]
    assert len(errors) > 1000
    assert np.mean(np.abs(errors) <= 0.5) >= 0.95


def test_notches(outcome: Outcome) -> None:
    """Sensitivity for what an analyser can show, and how often one is seen where none was."""
    shown = [
        p
        for p in outcome.pairs
        if p.truth.notch >= max(3.5, 8.0 * p.wave.noise, 3.0 * p.wave.ripple)
        and p.wave.notch_s * p.wave.rate_hz >= 2.0
    ]
    assert len(shown) > 300
    assert np.mean([p.found.notch_mmhg is not None for p in shown]) >= 0.93
    depths = [p.found.notch_mmhg - p.truth.notch for p in shown if p.found.notch_mmhg]
    assert abs(np.median(depths)) <= 0.7
    without = [p for p in outcome.pairs if p.truth.notch < 0.5]
    assert np.mean([p.found.notch_mmhg is not None for p in without]) <= 0.001


def test_steps_at_the_pulse(outcome: Outcome) -> None:
    """Where they stand clear of lag and noise; the rate within a tenth."""
    seen, false = [], []
    for pair in outcome.pairs:
        wave = pair.wave
        gain = 1.0 / np.hypot(1.0, 2.0 * np.pi * wave.ripple_hz * wave.tau_s)
        cycles = wave.ripple_hz * 0.6 * (pair.truth.fall_s - pair.truth.rise_s)
        if not wave.ripple:
            false.append(pair.found.ripple_mmhg is not None)
        elif (
            wave.ripple * gain >= max(0.25, 2.0 * wave.noise)
            and cycles >= 3.0
            and wave.rate_hz >= 5.0 * wave.ripple_hz
            and not wave.notch
        ):
            rate = pair.found.ripple_per_min
            seen.append(rate is not None and abs(rate / (60.0 * wave.ripple_hz) - 1.0) <= 0.1)
    assert len(seen) > 100
    assert np.mean(seen) >= 0.9
    assert np.mean(false) <= 0.05


def test_quality_is_of_use(outcome: Outcome) -> None:
    """What is said to be good is better than the rest, and the rest says why."""
    good = [abs(p.etco2_error) for p in outcome.pairs if p.found.quality >= 0.9]
    poor = [abs(p.etco2_error) for p in outcome.pairs if p.found.quality < 0.5]
    assert np.quantile(good, 0.95) < 0.6 * np.quantile(poor, 0.95)
    for pair in outcome.pairs:
        assert 0.0 <= pair.found.quality <= 1.0
        assert bool(pair.found.why) == (pair.found.quality < 1.0)
