"""The shape of one inflation as read from its samples."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from service.signals.lines import Sample

#: A sensor at its limit repeats one value: so often, and for so long.
PINNED_SAMPLES: Final = 5
PINNED_S: Final = 0.03


@dataclass(slots=True)
class Shape:
    """One inflation as read from its samples; times in s, pressures in cmH2O.

    `is_ramp` says whether the straight or bent line describes it; otherwise step, slope and bend
    are None. `bend` is the slope at the end over that at the start. `rest_scatter` is the standard
    deviation at rest, `residual` that about the ramp. `to_peak_s` runs to the highest sample.
    """

    start_s: float
    end_s: float
    start_sd_s: float
    end_sd_s: float
    baseline_cmh2o: float
    peak_cmh2o: float
    peak_sd_cmh2o: float
    to_peak_s: float
    is_ramp: bool
    step_cmh2o: float | None
    step_sd_cmh2o: float | None
    slope_cmh2o_per_s: float | None
    slope_sd_cmh2o_per_s: float | None
    bend: float | None
    bend_sd: float | None
    #: Time constant of the foot, and pressure over the baseline at `PROFILE_AT` of the inflation.
    foot_s: float | None
    profile_cmh2o: tuple[float, ...] | None
    residual_cmh2o: float
    rest_scatter_cmh2o: float
    #: How far two samples in a row lie under its form: an effort that pulled against it.
    notch_cmh2o: float
    #: Index of the last sample before the release; pressure fell from 90 to 50 % of its
    #: height within `fall_s`.
    last: int
    fall_s: float

    @property
    def samples(self) -> int:
        """How many samples it was read from."""
        return self.last + 1


def highest(rise: Sequence[Sample], last: int) -> int:
    """Index of the highest sample up to `last`."""
    pressures = [p for _, p in rise[: last + 1]]
    return pressures.index(max(pressures))


def since(samples: Sequence[Sample], first_s: float) -> Sequence[Sample]:
    """The samples from `first_s` (s) on."""
    at = len(samples)
    while at > 0 and samples[at - 1][0] >= first_s:
        at -= 1
    return samples[at:]


def scatter(resting: Sequence[Sample]) -> float:
    """Standard deviation of the last samples; 0 where there are too few to tell."""
    recent = resting[-64:]
    n = len(recent)
    if n < 4:
        return 0.0
    mean = sum([p for _, p in recent]) / n
    return math.sqrt(sum([(p - mean) ** 2 for _, p in recent]) / (n - 1))


def pinned(samples: Sequence[Sample]) -> bool:
    """Whether the top is one value again and again: flat as no lung and no valve makes it."""
    highest_cmh2o = max([p for _, p in samples])
    count = [p for _, p in samples].count(highest_cmh2o)
    return count <= 0.9 * len(samples) and flat_top(samples, highest_cmh2o)


def flat_top(samples: Sequence[Sample], highest_cmh2o: float) -> bool:
    """Whether many of these samples, over some time, show that highest value."""
    times = [t for t, p in samples if p == highest_cmh2o]
    return len(times) >= PINNED_SAMPLES and times[-1] - times[0] >= PINNED_S
