"""A rise of pressure that may be an inflation, followed until it is released."""

from __future__ import annotations

from dataclasses import dataclass, field
from statistics import median
from typing import Final, Literal

from service.signals.kinds import Usual

#: An excursion that ends smaller or shorter than this was none.
MIN_AMPLITUDE_CMH2O: Final = 1.5
#: Pressure under this share of the inflation's height has been released.
RELEASE_SHARE: Final = 0.4
#: Pressure must stay released for this share of the usual time between breaths (and at most for
#: that long) before the inflation has ended: an effort against the closed valve is no release.
RELEASE_HOLD_SHARE: Final = 0.15
MAX_RELEASE_HOLD_S: Final = 0.9
#: A rise that lasts so many usual periods (and at least so long) may rest on a raised level.
REBASE_PERIODS: Final = 2.0
REBASE_S: Final = 5.0
#: A ramp rises by half its swing from one half to the other; a level by none.
RAMP_SHARE: Final = 0.25
#: More samples of a rise are thinned out; how often (in samples) a raised level is looked for.
MAX_KEPT_SAMPLES: Final = 4000
LOOK_EVERY: Final = 8


@dataclass(slots=True)
class Rise:
    """Samples (time s, pressure cmH2O) of the rise, and levels of smoothed pressure in it."""

    samples: list[tuple[float, float]] = field(default_factory=list)
    rest: float = 0.0
    peak: float = 0.0
    released_at: int | None = None
    #: When pressure was last up again after a release that was none, and how long it had been up
    #: at most until then.
    again_s: float | None = None
    longest_s: float = 0.0

    def begin(self, rest: float, smoothed: float) -> None:
        """It has risen far enough over rest."""
        self.rest = rest
        self.peak = smoothed

    def clear(self) -> None:
        """It is over."""
        self.samples.clear()
        self.released_at = self.again_s = None
        self.longest_s = 0.0

    def up_s(self) -> float | None:
        """How long pressure was up without a break, if it was broken."""
        if self.again_s is None:
            return None
        end_s = self.samples[-1 if self.released_at is None else self.released_at][0]
        return max(self.longest_s, end_s - self.again_s)

    def follow(
        self, t: float, pressure: float, smoothed: float, usual: Usual
    ) -> Literal["up", "released", "rebased"]:
        """Take one sample; `rebased` says that it only rests on a raised level."""
        samples = self.samples
        samples.append((t, pressure))
        if len(samples) > MAX_KEPT_SAMPLES and self.released_at is None:
            # A long one is kept whole, with every second sample.
            del samples[1:-1:2]
        self.peak = max(self.peak, smoothed)
        if smoothed >= self.rest + RELEASE_SHARE * (self.peak - self.rest):
            if self.released_at is not None:
                self._rise_again(t)
            if len(samples) % LOOK_EVERY == 0 and self._rests_higher(t, usual):
                return "rebased"
            return "up"
        if self.released_at is None:
            self.released_at = len(samples) - 1
        return "released" if t - samples[self.released_at][0] >= _hold_s(usual) else "up"

    def _rise_again(self, t: float) -> None:
        begin_s = self.samples[0][0] if self.again_s is None else self.again_s
        self.longest_s = max(self.longest_s, self.samples[self.released_at or 0][0] - begin_s)
        self.released_at, self.again_s = None, t

    def _rests_higher(self, t: float, usual: Usual) -> bool:
        """Pressure may still swing up from a level where it mostly rests, only higher now.

        A blocked exhalation stays up, and efforts against it pull down for a moment.
        """
        rebase_s = max(REBASE_S, REBASE_PERIODS * (usual.period_s or 0.0))
        if t - self.samples[0][0] <= rebase_s:
            return False
        recent = [p for at, p in self.samples if t - at <= rebase_s - 1.0]
        half = len(recent) // 2
        low, high = min(recent), max(recent)
        swing = high - low
        if swing < 2.0 * MIN_AMPLITUDE_CMH2O or median(recent) - low >= 0.5 * swing:
            return False
        # A slow ramp, as when fresh gas fails, goes on rising: it rests nowhere.
        return median(recent[half:]) - median(recent[:half]) < RAMP_SHARE * swing


def _hold_s(usual: Usual) -> float:
    if usual.period_s is None:
        return 0.0
    return min(MAX_RELEASE_HOLD_S, RELEASE_HOLD_SHARE * usual.period_s)
