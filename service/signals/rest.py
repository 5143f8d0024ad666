"""The resting pressure of a run of samples, whatever phase of a breath it begins in."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

#: Rest is where this share of the samples lies closest together. Of two places nearly as close the
#: lower one.
CLOSE_SHARE: Final = 0.4
NEARLY_AS_CLOSE: Final = 1.5


def closest(pressures: Sequence[float]) -> float:
    """The middle of where sorted values lie closest together."""
    count = max(1, int(CLOSE_SHARE * len(pressures)))
    starts = range(len(pressures) - count)
    widths = [pressures[at + count] - pressures[at] for at in starts]
    if not widths:
        return pressures[0]
    limit = NEARLY_AS_CLOSE * min(widths)
    at = next(at for at in starts if widths[at] <= limit)
    return pressures[at + count // 2]
