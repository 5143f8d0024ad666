"""Inspired CO2 that is raised: rebreathing, or an analyser whose zero is off?

An analyser that is off shows the same flat value in every inspiration, from its first breath on.
Rebreathed gas comes with the inspiration and is washed away by fresh gas, or it came up after a
clean start. What cannot be told apart is called unclear; in doubt it is not the analyser.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

#: Labels of the inspired baseline.
BASELINES: Final = ("clear", "rebreathing", "offset", "unclear")
#: Inspired CO2 from here on is raised: 0.2 % of a dry atmosphere is 1.43 mmHg, the threshold of a
#: T-piece study in cats; here to one decimal.
RAISED_MMHG: Final = 1.5
#: Breaths looked at, and how many of them must have stood flat to blame the analyser.
BREATHS: Final = 5
FLAT_BREATHS: Final = 3
#: The same value in every inspiration means within this (mmHg).
SAME_MMHG: Final = 0.8


@dataclass(frozen=True, slots=True)
class Inspired:
    """Inspired CO2 of one breath (mmHg), and whether it stood still (None: not told)."""

    mmhg: float
    flat: bool | None


def baseline_of(breaths: Sequence[Inspired], zero_mmhg: float) -> str | None:
    """Judge the last inspirations, oldest first; `zero_mmhg` is the lowest ever seen.

    None when fewer than three are known.
    """
    last = list(breaths[-BREATHS:])
    if len(last) < FLAT_BREATHS:
        return None
    levels = sorted(breath.mmhg for breath in last)
    level = levels[len(levels) // 2]
    if level <= -RAISED_MMHG:
        return "offset"
    if level < RAISED_MMHG:
        return "clear"
    if level - zero_mmhg >= RAISED_MMHG or any(breath.flat is False for breath in last[-3:]):
        return "rebreathing"
    flat = sum(breath.flat is True for breath in last)
    if flat >= FLAT_BREATHS and levels[-1] - levels[0] <= SAME_MMHG:
        return "offset"
    return "unclear"
