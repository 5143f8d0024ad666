"""Airway pressure drawn from closed forms, event by event, with everything true of it known.

An inflation is the single compartment at constant flow (Bates 2009, Lung Mechanics): a step R Q,
then an even rise to PIP; its release empties through the valve with one time constant. A squeezed
bag is a bow, a cough or an effort a half sine on top of whatever goes on.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from service.signals.breaths import BreathFinder, Found, Inflation

Sample = tuple[float, float | None]
BEGIN_S = 1_795_611_600.0


@dataclass(frozen=True)
class Push:
    """One inflation: pressures over PEEP (cmH2O), times in s from the first sample."""

    start_s: float
    ti_s: float
    height_cmh2o: float
    step_cmh2o: float = 0.0
    tau_s: float = 0.03
    #: Height over the inflation by the share of its time; None for step and even rise.
    form: Callable[[float], float] | None = None

    @property
    def end_s(self) -> float:
        return self.start_s + self.ti_s

    def at(self, t: float) -> float:
        if t < self.start_s:
            return 0.0
        if t >= self.end_s:
            top = self.height_cmh2o * (1.0 if self.form is None else self.form(1.0))
            return top * math.exp((self.end_s - t) / self.tau_s)
        share = (t - self.start_s) / self.ti_s
        if self.form is not None:
            return self.height_cmh2o * self.form(share)
        return self.step_cmh2o + (self.height_cmh2o - self.step_cmh2o) * share


@dataclass(frozen=True)
class Bump:
    """A half sine on top: a cough (up), an effort (down)."""

    start_s: float
    length_s: float
    height_cmh2o: float

    def at(self, t: float) -> float:
        share = (t - self.start_s) / self.length_s
        return self.height_cmh2o * math.sin(math.pi * share) if 0.0 < share < 1.0 else 0.0


def squeeze(share: float) -> float:
    """A bag squeezed and let go: half a sine."""
    return math.sin(math.pi * share)


def leaning_squeeze(share: float) -> float:
    """Squeezed fast, let go slowly: the peak lies at a third."""
    return math.sin(math.pi * (1.5 * share if share < 1 / 3 else 0.75 * share + 0.25))


@dataclass
class Course:
    """All that happens to one sensor, and what it shows."""

    pushes: list[Push] = field(default_factory=list)
    bumps: list[Bump] = field(default_factory=list)
    peep: Callable[[float], float] = lambda _: 0.0
    noise_cmh2o: float = 0.0
    beat_cmh2o: float = 0.0
    beat_hz: float = 5.0
    limit_cmh2o: float = 1000.0
    rate_hz: float = 100.0
    seed: int = 1
    tail_s: float = 2.0

    def pressure(self, t: float) -> float:
        """What is true at `t` (s), heart and noise apart."""
        total = self.peep(t) + sum(b.at(t) for b in self.bumps if b.start_s <= t <= b.start_s + 5)
        near = [p for p in self.pushes if p.start_s <= t]
        # What was left when the next inflation began is part of that one.
        return total + (near[-1].at(t) if near else 0.0)

    def samples(self) -> list[Sample]:
        chance = random.Random(self.seed)
        last_s = max([p.end_s for p in self.pushes] + [b.start_s for b in self.bumps] + [0.0])
        self.pushes.sort(key=lambda push: push.start_s)
        out: list[Sample] = []
        for at in range(round((last_s + self.tail_s) * self.rate_hz)):
            t = at / self.rate_hz
            p = self.pressure(t) + self.beat_cmh2o * math.sin(2 * math.pi * self.beat_hz * t)
            p += chance.gauss(0.0, self.noise_cmh2o) if self.noise_cmh2o else 0.0
            out.append((BEGIN_S + t, min(p, self.limit_cmh2o)))
        return out


def even(
    count: int, ti_s: float = 0.5, te_s: float = 1.5, height: float = 10.0, **more: float
) -> list[Push]:
    """So many inflations that are all alike, the first after 4 s."""
    period_s = ti_s + te_s
    return [Push(4.0 + n * period_s, ti_s, height, **more) for n in range(count)]  # type: ignore[arg-type]  # named by key


def read(samples: Sequence[Sample]) -> Found:
    """All that is found in one run, the last breath closed."""
    finder = BreathFinder()
    found, last = finder.feed(samples, "d:e:1"), finder.finish()
    found.inflations += last.inflations
    found.breaths += last.breaths
    found.efforts += last.efforts
    found.artefacts += last.artefacts
    return found


def match(inflations: Sequence[Inflation], pushes: Sequence[Push]) -> list[Inflation | None]:
    """The inflation found for each true one (overlapping by half of both), or None."""
    out: list[Inflation | None] = []
    for push in pushes:
        hit = None
        for one in inflations:
            start = one.start_s - BEGIN_S
            shared = min(push.end_s, start + one.ti_s) - max(push.start_s, start)
            if shared > 0.5 * max(push.ti_s, one.ti_s):
                hit = one
        out.append(hit)
    return out
