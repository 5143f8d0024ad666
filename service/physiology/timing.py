"""Breath timing: respiratory rate, I:E ratio and duty cycle, and the way back.

Terms are those of ISO 19223: inspiratory time (Ti) and expiratory time (Te). The relations follow
from the definitions: RR = 60 / (Ti + Te), I:E = 1 : Te/Ti, duty = Ti / (Ti + Te).
"""

from __future__ import annotations

import math
from typing import Final

SECONDS_PER_MINUTE: Final = 60.0


def positive(**arguments: float) -> None:
    """ValueError naming the first argument that is not finite and above zero."""
    for name, value in arguments.items():
        if not (math.isfinite(value) and value > 0.0):
            raise ValueError(f"{name} must be finite and above zero, not {value!r}")


def not_negative(**arguments: float) -> None:
    """ValueError naming the first argument that is not finite and at least zero."""
    for name, value in arguments.items():
        if not (math.isfinite(value) and value >= 0.0):
            raise ValueError(f"{name} must be finite and not negative, not {value!r}")


def respiratory_rate_per_min(ti_s: float, te_s: float) -> float:
    """Breaths per minute from inspiratory and expiratory time in s."""
    positive(ti_s=ti_s, te_s=te_s)
    return SECONDS_PER_MINUTE / (ti_s + te_s)


def expiratory_ratio(ti_s: float, te_s: float) -> float:
    """The x of an I:E ratio written 1:x, from times in s."""
    positive(ti_s=ti_s, te_s=te_s)
    return te_s / ti_s


def duty(ti_s: float, te_s: float) -> float:
    """Share (0 to 1) of the breath that is inspiration, from times in s."""
    positive(ti_s=ti_s, te_s=te_s)
    return ti_s / (ti_s + te_s)


def times_s(rate_per_min: float, ratio: float) -> tuple[float, float]:
    """Ti and Te in s that give `rate_per_min` at an I:E ratio of 1:`ratio`."""
    positive(rate_per_min=rate_per_min, ratio=ratio)
    ti_s = SECONDS_PER_MINUTE / (rate_per_min * (1.0 + ratio))
    return ti_s, ratio * ti_s


def expiratory_time_s(rate_per_min: float, ti_s: float) -> float:
    """Te in s that gives `rate_per_min` when Ti is fixed by the lung, as in pressure cycling.

    ValueError when Ti alone is longer than a breath at that rate.
    """
    positive(rate_per_min=rate_per_min, ti_s=ti_s)
    te_s = SECONDS_PER_MINUTE / rate_per_min - ti_s
    if te_s <= 0.0:
        raise ValueError(f"ti_s of {ti_s:g} s leaves no expiratory time at {rate_per_min:g}/min")
    return te_s
