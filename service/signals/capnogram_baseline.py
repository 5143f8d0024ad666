"""Inspired CO2 that is raised: rebreathing, or an analyser whose zero is off?

An analyser that is off shows the same flat value in every inspiration, from its first breath on.
Rebreathed gas comes with the inspiration and is washed away by fresh gas, or it came up after a
clean start. What cannot be told apart, or may be the analyser's lag, is called unclear; in doubt
its zero is not blamed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp
from typing import Final

from service.physiology.gas_exchange import TIME_CONSTANTS_10_90

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
#: 10-90 % rise time of a slow sidestream analyser (s; common practice, no source).
SLOW_RISE_S: Final = 0.4


@dataclass(frozen=True, slots=True)
class Inspired:
    """Inspired CO2 of one breath (mmHg), and whether it stood still (None: not told)."""

    mmhg: float
    flat: bool | None
    #: What a slow analyser may still show of the expiration before (mmHg).
    lag_mmhg: float = 0.0


def lag_left_mmhg(etco2_mmhg: float, inspired_s: float) -> float:
    """What a first-order analyser as slow as they come still shows after an inspiration (mmHg)."""
    return etco2_mmhg * exp(-max(0.0, inspired_s) * TIME_CONSTANTS_10_90 / SLOW_RISE_S)


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
    return _why_raised(last, level, zero_mmhg)


def _why_raised(last: list[Inspired], level: float, zero_mmhg: float) -> str:
    if level < RAISED_MMHG + min(breath.lag_mmhg for breath in last):
        return "unclear"
    newest = last[-FLAT_BREATHS:]
    if level - zero_mmhg >= RAISED_MMHG or any(breath.flat is False for breath in newest):
        return "rebreathing"
    same = max(breath.mmhg for breath in last) - min(breath.mmhg for breath in last) <= SAME_MMHG
    flat = sum(breath.flat is True for breath in last) >= FLAT_BREATHS
    return "offset" if same and flat else "unclear"
