"""Airway pressure and CO2 as simple waves with known breaths, for the tests of the signals."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass

from service.signals.breaths import Breath, BreathFinder, Inflation

Sample = tuple[float, float | None]
Known = tuple[float, float]

BEGIN_S = 1_795_611_600.0
RATE_HZ = 100.0
#: Quiet time before the first inflation.
LEAD_S = 1.0
#: Height of a wave over its inflation, from the share of inspiratory time gone: 0 to 1.
Shape = Callable[[float], float]


def square(_share: float) -> float:
    """Up at once, and held."""
    return 1.0


def ramp(share: float) -> float:
    """Up in a straight line."""
    return share


@dataclass(frozen=True)
class Ventilation:
    """Breaths that are all alike. Pressures in cmH2O, times in s."""

    ti_s: float = 0.6
    te_s: float = 2.0
    pip: float = 12.0
    peep: float = 2.0
    shape: Shape = ramp
    noise: float = 0.0

    @property
    def period_s(self) -> float:
        return self.ti_s + self.te_s

    def samples(self, breaths: int, seed: int = 1, rate_hz: float = RATE_HZ) -> list[Known]:
        """So many breaths, each followed by its whole expiration."""
        chance = random.Random(seed)
        count = round((LEAD_S + breaths * self.period_s) * rate_hz)
        return [
            (
                BEGIN_S + at / rate_hz,
                self.pressure(at / rate_hz - LEAD_S) + chance.gauss(0.0, self.noise),
            )
            for at in range(count)
        ]

    def pressure(self, t: float) -> float:
        """Pressure `t` seconds after the first inflation began."""
        # A hair of a sample keeps rounding from moving an edge.
        within = (t + 1e-6) % self.period_s if t > -1e-6 else self.period_s
        if within >= self.ti_s:
            return self.peep
        return self.peep + (self.pip - self.peep) * self.shape(within / self.ti_s)


def find(samples: list[Known] | list[Sample]) -> tuple[list[Inflation], list[Breath]]:
    """All inflations and breaths of one run, the last one closed."""
    finder = BreathFinder()
    found, last = finder.feed(list(samples), "d:e:1"), finder.finish()
    return found.inflations + last.inflations, found.breaths + last.breaths


def after_s(inflation: Inflation) -> float:
    """When an inflation began, counted from the first one of the wave."""
    return inflation.start_s - BEGIN_S - LEAD_S


@dataclass(frozen=True)
class Expiration:
    """A capnogram of breaths that are all alike. Pressures in mmHg, times in s."""

    end_tidal: float = 38.0
    inspired: float = 0.0
    inspiration_s: float = 0.7
    expiration_s: float = 1.9
    rise_tau_s: float = 0.1
    noise: float = 0.0
    rate_hz: float = 25.0

    @property
    def period_s(self) -> float:
        return self.inspiration_s + self.expiration_s

    def samples(self, breaths: int, seed: int = 1, begin_s: float = BEGIN_S) -> list[Known]:
        """So many breaths, each an inspiration and then an expiration; one inspiration more."""
        chance = random.Random(seed)
        count = round((breaths * self.period_s + self.inspiration_s) * self.rate_hz)
        return [
            (begin_s + at / self.rate_hz, self.co2(at / self.rate_hz) + chance.gauss(0, self.noise))
            for at in range(count)
        ]

    def co2(self, t: float) -> float:
        """CO2 `t` seconds after the first inspiration began."""
        within = (t + 1e-6) % self.period_s
        if within < self.inspiration_s:
            return self.inspired
        risen = -math.expm1(-(within - self.inspiration_s) / self.rise_tau_s)
        return self.inspired + (self.end_tidal - self.inspired) * risen
