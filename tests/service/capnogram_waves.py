"""Capnograms whose truth is known: gas at the sensor, a first-order analyser, then its flaws.

The gas at the sensor is dead space, upstroke and sloping plateau, with what may lie on them: a
notch, steps at the pulse, rebreathing, dilution. The analyser lags by its 10-90 % rise time
(tau = T / ln 9), then drifts, is noisy, and is sampled and rounded. Truth is read from the lagged
curve without steps, drift of the moment and noise.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

from service.signals.capnogram import Capnogram, Co2Breath

BEGIN_S = 1_795_611_600.0
Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Truth:
    """One true breath: times in s from the start; CO2 in mmHg as a clean lagging analyser shows."""

    rise_s: float
    fall_s: float
    etco2: float
    inspired: float
    #: The same at the last sample before the fall.
    seen: float
    #: Depth of the notch on the clean lagged curve; 0 without one.
    notch: float


@dataclass(frozen=True)
class Wave:
    """One case. Rates per minute or Hz as named, times in s, CO2 in mmHg."""

    rate_hz: float = 50.0
    rr: float = 30.0
    inspired_share: float = 0.4
    etco2: float = 40.0
    inspired: float = 0.0
    slope: float = 1.0
    rise_10_90_s: float = 0.1
    noise: float = 0.0
    ripple: float = 0.0
    ripple_hz: float = 5.0
    dilution: float = 1.0
    drift: float = 0.0
    notch: float = 0.0
    notch_s: float = 0.12
    rounded: float = 0.0
    breaths: int = 12
    seed: int = 1

    @property
    def period_s(self) -> float:
        return 60.0 / self.rr

    @property
    def tau_s(self) -> float:
        return self.rise_10_90_s / math.log(9.0)


@dataclass
class Made:
    """Samples as an analyser sends them, and the truth."""

    samples: list[tuple[float, float | None]]
    truths: list[Truth]
    #: Lowest swing of a breath on the clean lagged curve (mmHg).
    swing: float = field(default=0.0)


#: What the random cases are drawn from.
RATES_HZ = (10.0, 12.5, 25.0, 25.0, 50.0, 50.0, 62.5, 100.0, 125.0, 200.0, 250.0, 500.0)
NOISES_MMHG = (0.0, 0.1, 0.3, 0.5, 1.0)


def cases(count: int, seed: int) -> Iterator[tuple[Wave, Made]]:
    """Random cases that can be told at all.

    At least two samples in inspiration and in expiration, and a swing on the lagging analyser of
    5 mmHg and of nine deviations of the noise of what lies within 20 ms.
    """
    chance = random.Random(seed)
    made = 0
    while made < count:
        wave = _drawn(chance, made)
        shorter = min(wave.inspired_share, 1.0 - wave.inspired_share) * wave.period_s
        if shorter * wave.rate_hz < 2.0:
            continue
        drawn = make(wave)
        if drawn.swing >= max(5.0, 9.0 * wave.noise / math.sqrt(max(1, wave.rate_hz // 50))):
            made += 1
            yield wave, drawn


def _drawn(chance: random.Random, seed: int) -> Wave:
    rr = math.exp(chance.uniform(math.log(4.0), math.log(150.0)))
    share, etco2 = chance.uniform(0.25, 0.5), chance.uniform(20.0, 70.0)
    expired_s = 60.0 / rr * (1.0 - share)
    wave = Wave(
        rate_hz=chance.choice(RATES_HZ),
        rr=rr,
        inspired_share=share,
        etco2=etco2,
        inspired=chance.choice([0.0, 0.0, 0.0, chance.uniform(0.0, 12.0)]),
        slope=min(chance.uniform(-1.0, 5.0), 0.15 * etco2 / expired_s),
        rise_10_90_s=chance.uniform(0.06, 0.4),
        noise=chance.choice(NOISES_MMHG),
        ripple=chance.choice([0.0, 0.0, chance.uniform(0.2, 1.0)]),
        ripple_hz=chance.uniform(2.0, 8.0),
        dilution=chance.choice([1.0, 1.0, chance.uniform(0.35, 1.0)]),
        drift=chance.choice([0.0, 1.0]),
        rounded=chance.choice([0.0, 0.1, 0.5]),
        breaths=8 if rr < 15.0 else 12,
        seed=seed,
    )
    if expired_s < 0.8 or chance.random() < 0.7:
        return wave
    depth = max(4.0, chance.uniform(4.0, 0.22 * etco2))
    return replace(wave, notch=depth, notch_s=chance.uniform(0.06, 0.15))


def make(wave: Wave) -> Made:
    """Draw one case."""
    chance = np.random.default_rng(wave.seed)
    step = min(0.002, wave.period_s / 400.0)
    edges, level = _edges(wave, chance)
    count = int((edges[-1][2] + wave.period_s * wave.inspired_share) / step) + 1
    t = np.arange(count) * step
    gas = np.full(count, float(wave.inspired))
    notches = np.zeros(count)
    steps = np.zeros(count)
    for number, (_begin, rise, fall) in enumerate(edges):
        part = slice(int(rise / step), int(fall / step))
        gas[part] = _expired(wave, t[part], rise, fall, level[number])
        if _notched(wave, number):
            middle = rise + 0.65 * (fall - rise)
            notches[part] = wave.notch * np.exp(-(((t[part] - middle) / wave.notch_s) ** 2))
        steps[part] = wave.ripple * np.sin(2.0 * math.pi * wave.ripple_hz * t[part])
    gas, notches = wave.dilution * gas, wave.dilution * notches
    dips = _lag(notches, step, wave.tau_s)
    clean = _lag(gas, step, wave.tau_s) - dips
    rippled = clean + _lag(steps, step, wave.tau_s)
    drift = wave.drift * np.sin(2.0 * math.pi * t / 90.0)
    at = np.arange(int(t[-1] * wave.rate_hz)) / wave.rate_hz
    seen = np.interp(at, t, rippled + drift) + chance.normal(0.0, 1.0, len(at)) * wave.noise
    if wave.rounded:
        seen = np.round(seen / wave.rounded) * wave.rounded
    truths = [_truth(wave, clean + drift, dips, step, edge) for edge in edges]
    samples = [(BEGIN_S + a, v) for a, v in zip(at.tolist(), seen.tolist(), strict=True)]
    return Made(samples, truths, min(x.etco2 - x.inspired for x in truths))


def found_in(made: Made) -> list[Co2Breath]:
    """All breaths that the analysis finds."""
    return Capnogram().feed(made.samples, "d:e:1")


def matched(made: Made, found: list[Co2Breath]) -> tuple[list[tuple[Truth, Co2Breath]], int]:
    """True breaths with the one breath found whose middle lies in them; and how many are over."""
    pairs, left = [], list(found)
    for truth in made.truths:
        inside = [
            b
            for b in left
            if truth.rise_s <= 0.5 * (b.start_s + (b.down_s or b.end_s)) - BEGIN_S <= truth.fall_s
        ]
        if inside:
            pairs.append((truth, inside[0]))
            left.remove(inside[0])
    return pairs, len(left)


def _edges(
    wave: Wave, chance: np.random.Generator
) -> tuple[list[tuple[float, float, float]], Array]:
    edges, now = [], 0.0
    for jitter in 1.0 + 0.04 * chance.uniform(-1.0, 1.0, wave.breaths):
        rise = now + wave.period_s * wave.inspired_share
        fall = rise + wave.period_s * (1.0 - wave.inspired_share) * jitter
        edges.append((now, rise, fall))
        now = fall
    return edges, wave.etco2 * (1.0 + 0.02 * chance.uniform(-1.0, 1.0, wave.breaths))


def _expired(wave: Wave, t: Array, rise: float, fall: float, level: float) -> Array:
    """Dead space for a fifteenth of it, an upstroke over a tenth, then the plateau."""
    lasts = fall - rise
    share = np.clip((t - rise - lasts / 15.0) / (lasts / 10.0), 0.0, 1.0)
    risen = share * share * (3.0 - 2.0 * share)
    plateau = level - wave.slope * (fall - t)
    return wave.inspired + risen * np.maximum(0.0, plateau - wave.inspired)


def _lag(gas: Array, step: float, tau: float) -> Array:
    share = -math.expm1(-step / tau)
    lagged = lfilter([share], [1.0, share - 1.0], gas - gas[0]) + gas[0]
    return np.asarray(lagged, dtype=np.float64)


def _notched(wave: Wave, number: int) -> bool:
    return wave.notch > 0.0 and number % 2 == 1


def _truth(
    wave: Wave, curve: Array, dips: Array, step: float, edge: tuple[float, float, float]
) -> Truth:
    begin, rise, fall = edge
    first = rise + (fall - rise) / 15.0
    last_sample_s = math.floor((fall - step) * wave.rate_hz) / wave.rate_hz
    return Truth(
        rise_s=first,
        fall_s=fall,
        etco2=float(curve[int(fall / step) - 1]),
        inspired=float(curve[int(begin / step) : int(first / step) + 1].min()),
        seen=float(curve[round(last_sample_s / step)]),
        notch=float(dips[int(rise / step) : int(fall / step)].max()),
    )
