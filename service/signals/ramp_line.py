"""The straight or bent line through the ramp of an inflation, and which samples lie on it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from service.signals.lines import Curve, Sample, fit
from service.signals.shape import highest

#: The ramp is fitted between these shares of the inflation: past the step, before the release.
FIT_FROM: Final = 0.22
FIT_TO: Final = 0.94
TOP_FROM: Final = 0.6
#: A sample so far (in scatters, or as a share of the height) under the ramp has left it.
OFF_SCATTERS: Final = 3.5
OFF_SHARE: Final = 0.03
#: Samples further under the ramp than so many scatters are left out, so often, while this share
#: of them is kept.
TRIM_SCATTERS: Final = 1.5
TRIMS: Final = 4
KEPT_SHARE: Final = 0.6


def middle(rise: Sequence[Sample], half: int, rest: float, height: float) -> Sequence[Sample]:
    first_t, length_s = rise[0][0], rise[half][0] - rise[0][0]
    top = highest(rise, half)
    # Of a ramp the highest sample is near its end; a slow release must not bend the line.
    begin, end = 0, (top if top > TOP_FROM * half else half) + 1
    while begin < half and rise[begin][0] < first_t + FIT_FROM * length_s:
        begin += 1
    while end > begin + 1 and rise[end - 1][0] > first_t + FIT_TO * length_s:
        end -= 1
    if end - begin >= 5:
        return rise[begin:end]
    # Few samples: all that lie on the way up and have not begun to fall.
    begin = 0
    while begin < top - 1 and rise[begin][1] < rest + 0.2 * height:
        begin += 1
    return rise[max(0, min(begin, top - 1)) : top + 1]


def fit_undisturbed(samples: Sequence[Sample], limit: float) -> Curve:
    """The curve through the samples; without those that an effort pulled away, if that helps."""
    curve, kept = fit(samples), samples
    for _ in range(TRIMS):
        if curve.scatter <= limit or len(kept) < 8:
            return curve
        kept = [s for s in kept if curve.at(s[0]) - s[1] <= TRIM_SCATTERS * curve.scatter]
        if len(kept) < KEPT_SHARE * len(samples):
            return curve
        curve = fit(kept, may_bend=False)
    return curve


def last_on(rise: Sequence[Sample], half: int, curve: Curve, height: float) -> int:
    """The last sample that still lies on the ramp."""
    slack = max(OFF_SCATTERS * curve.scatter, OFF_SHARE * height)
    at = half
    while at > 0 and rise[at][1] < curve.at(rise[at][0]) - slack:
        at -= 1
    return at


def undisturbed(ramp: Sequence[Sample], curve: Curve, height: float) -> Sequence[Sample]:
    """The ramp without samples that an effort pulled far under it; all of its foot stays."""
    first_t = ramp[0][0] + FIT_FROM * (ramp[-1][0] - ramp[0][0])
    slack = max(OFF_SCATTERS * curve.scatter, 2.0 * OFF_SHARE * height)
    return [s for s in ramp if s[0] < first_t or curve.at(s[0]) - s[1] <= slack]
