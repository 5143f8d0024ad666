"""How long a battery lasts: Peukert's law in both its forms, the energy form, the slope form.

Capacities in Ah, currents in A, times in hours or minutes as named. Source: W. Peukert,
Elektrotechnische Zeitschrift 1897;20:20-21: at a higher current a battery gives less charge. The
exponent is about 1.05 for lithium cells and 1.1 to 1.6 for lead (common practice).
"""

from __future__ import annotations

from typing import Final

from service.physiology.timing import not_negative, positive

MINUTES_PER_HOUR: Final = 60.0
_FULL_PERCENT: Final = 100.0


def _exponent(exponent: float) -> None:
    positive(exponent=exponent)
    if exponent < 1.0:
        raise ValueError(f"exponent must be at least 1, not {exponent!r}")


def _percent(**arguments: float) -> None:
    not_negative(**arguments)
    for name, value in arguments.items():
        if value > _FULL_PERCENT:
            raise ValueError(f"{name} must be at most 100, not {value!r}")


def hours_from_one_ampere_capacity(
    one_ampere_capacity_ah: float, current_a: float, exponent: float
) -> float:
    """t = Cp / I^k in hours, where Cp is the capacity at a discharge with one ampere.

    A capacity printed on a battery is not Cp: it belongs to an hour rating, see
    `hours_from_rated_capacity`.
    """
    positive(one_ampere_capacity_ah=one_ampere_capacity_ah, current_a=current_a)
    _exponent(exponent)
    return float(one_ampere_capacity_ah / current_a**exponent)


def hours_from_rated_capacity(
    capacity_ah: float, rating_h: float, current_a: float, exponent: float
) -> float:
    """t = H (C / (I H))^k in hours, where C is the capacity at a discharge that takes H hours."""
    positive(capacity_ah=capacity_ah, rating_h=rating_h, current_a=current_a)
    _exponent(exponent)
    return float(rating_h * (capacity_ah / (current_a * rating_h)) ** exponent)


def delivered_share(nominal_h: float, rating_h: float, exponent: float) -> float:
    """Share of the rated capacity that a discharge gives: (T/H)^(k-1), at most 1.

    T = C/I is how long the rated capacity would last at the present current. From the rated form:
    t I / C = (C / (I H))^(k-1). At currents under the rated one nothing is added.
    """
    positive(nominal_h=nominal_h, rating_h=rating_h)
    _exponent(exponent)
    return float(min(1.0, (nominal_h / rating_h) ** (exponent - 1.0)))


def minutes_from_energy(energy_wh: float, usable_share: float, power_w: float) -> float:
    """t = E s / P in minutes, for a usable share s from 0 to 1. Energy over power."""
    positive(power_w=power_w)
    not_negative(energy_wh=energy_wh, usable_share=usable_share)
    if usable_share > 1.0:
        raise ValueError(f"usable_share must be at most 1, not {usable_share!r}")
    return MINUTES_PER_HOUR * energy_wh * usable_share / power_w


def percent_per_minute(from_percent: float, to_percent: float, minutes: float) -> float:
    """How fast the charge falls, in percent a minute; negative while it rises."""
    _percent(from_percent=from_percent, to_percent=to_percent)
    positive(minutes=minutes)
    return (from_percent - to_percent) / minutes


def minutes_from_slope(
    from_percent: float, to_percent: float, minutes: float, cutoff_percent: float = 0.0
) -> float:
    """Minutes until `cutoff_percent` if the charge goes on to fall as over the last `minutes`.

    ValueError when it did not fall. Zero once the cutoff is reached.
    """
    _percent(cutoff_percent=cutoff_percent)
    rate = percent_per_minute(from_percent, to_percent, minutes)
    if rate <= 0.0:
        raise ValueError(f"to_percent ({to_percent:g}) must be below from_percent")
    return max(0.0, to_percent - cutoff_percent) / rate
