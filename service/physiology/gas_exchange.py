"""Carbon dioxide: what ventilation leaves in the blood, and what a capnogram shows of it.

Volumes per minute of ventilation are BTPS, of carbon dioxide STPD; partial pressures in mmHg.
"""

from __future__ import annotations

import math
from typing import Final

from service.physiology.timing import not_negative, positive

#: 760 mmHg x 310.15/273.15 per L and mL: the factor of the alveolar ventilation equation.
CO2_FACTOR: Final = 0.863
ML_PER_L: Final = 1000.0
#: A first-order response takes ln 9 time constants from 10 to 90 %.
TIME_CONSTANTS_10_90: Final = math.log(9.0)
#: One kPa in mmHg, 7.5006.
MMHG_PER_KPA: Final = 760.0 / 101.325
_SEA_LEVEL_MMHG: Final = 760.0
_WATER_VAPOUR_MMHG: Final = 47.0
_PERCENT: Final = 100.0


def kpa_from_mmhg(mmhg: float) -> float:
    """A partial pressure in kPa."""
    not_negative(mmhg=mmhg)
    return mmhg / MMHG_PER_KPA


def mmhg_from_kpa(kpa: float) -> float:
    """A partial pressure in mmHg."""
    not_negative(kpa=kpa)
    return kpa * MMHG_PER_KPA


def mmhg_from_dry_percent(percent: float, barometric_mmhg: float = _SEA_LEVEL_MMHG) -> float:
    """Partial pressure in mmHg, in the airway, of a gas that is `percent` of dry gas.

    percent/100 x (PB - 47): the airway is full of water vapour at 37 C.
    """
    not_negative(percent=percent)
    positive(dry_mmhg=barometric_mmhg - _WATER_VAPOUR_MMHG)
    if percent > _PERCENT:
        raise ValueError(f"percent must be at most 100, not {percent!r}")
    return percent / _PERCENT * (barometric_mmhg - _WATER_VAPOUR_MMHG)


def alveolar_ventilation_ml_per_min(
    tidal_volume_ml: float, dead_space_ml: float, rate_per_min: float
) -> float:
    """VA = (VT - VD) f in mL/min; zero when the breath does not clear the dead space."""
    not_negative(
        tidal_volume_ml=tidal_volume_ml, dead_space_ml=dead_space_ml, rate_per_min=rate_per_min
    )
    return max(0.0, tidal_volume_ml - dead_space_ml) * rate_per_min


def arterial_co2_mmhg(
    co2_output_ml_per_min: float, alveolar_ml_per_min: float, inspired_mmhg: float = 0.0
) -> float:
    """PaCO2 = 0.863 VCO2 / VA + PiCO2 in mmHg, in steady state.

    VCO2 in mL/min STPD, VA in mL/min BTPS (divided by 1000 here). Source: the alveolar ventilation
    equation of any physiology textbook.
    """
    not_negative(co2_output_ml_per_min=co2_output_ml_per_min, inspired_mmhg=inspired_mmhg)
    positive(alveolar_ml_per_min=alveolar_ml_per_min)
    return CO2_FACTOR * co2_output_ml_per_min * ML_PER_L / alveolar_ml_per_min + inspired_mmhg


def ventilation_for_co2_ml_per_min(
    co2_output_ml_per_min: float, target_mmhg: float, inspired_mmhg: float = 0.0
) -> float:
    """VA in mL/min that holds PaCO2 at `target_mmhg`; the inverse of `arterial_co2_mmhg`."""
    positive(co2_output_ml_per_min=co2_output_ml_per_min, target_mmhg=target_mmhg)
    not_negative(inspired_mmhg=inspired_mmhg)
    if inspired_mmhg >= target_mmhg:
        raise ValueError(f"target_mmhg ({target_mmhg:g}) must be over inspired_mmhg")
    return CO2_FACTOR * co2_output_ml_per_min * ML_PER_L / (target_mmhg - inspired_mmhg)


def dead_space_share(arterial_mmhg: float, mixed_expired_mmhg: float) -> float:
    """Bohr's VD/VT = (PaCO2 - PECO2) / PaCO2, from 0 to 1."""
    positive(arterial_mmhg=arterial_mmhg)
    not_negative(mixed_expired_mmhg=mixed_expired_mmhg)
    if mixed_expired_mmhg > arterial_mmhg:
        raise ValueError(f"mixed_expired_mmhg ({mixed_expired_mmhg:g}) is over arterial_mmhg")
    return (arterial_mmhg - mixed_expired_mmhg) / arterial_mmhg


def washout_ratio(residual_ml: float, tidal_volume_ml: float, dead_space_ml: float) -> float:
    """End-tidal CO2 of one breath over that before it, when no CO2 comes to the lung any more.

    FRC / (FRC + VT - VD): perfect mixing in the residual volume, as when the circulation stops
    and ventilation goes on.
    """
    positive(residual_ml=residual_ml)
    not_negative(tidal_volume_ml=tidal_volume_ml, dead_space_ml=dead_space_ml)
    return residual_ml / (residual_ml + max(0.0, tidal_volume_ml - dead_space_ml))


def breaths_to_halve(ratio_per_breath: float) -> float:
    """After how many breaths a washout of `ratio_per_breath` (between 0 and 1) has halved CO2."""
    positive(ratio_per_breath=ratio_per_breath)
    if ratio_per_breath >= 1.0:
        raise ValueError(f"ratio_per_breath must be below 1, not {ratio_per_breath!r}")
    return math.log(0.5) / math.log(ratio_per_breath)


def undiluted_share(minute_volume_ml_per_min: float, draw_ml_per_min: float) -> float:
    """Largest share (0 to 1) of a sidestream sample that can be the patient's own gas.

    What is drawn beyond the minute volume must be fresh gas: a mass balance, no published figure,
    and an upper bound, so with a tolerance of 20 % at best.
    """
    not_negative(minute_volume_ml_per_min=minute_volume_ml_per_min)
    positive(draw_ml_per_min=draw_ml_per_min)
    return min(1.0, minute_volume_ml_per_min / draw_ml_per_min)


def analyser_peak_share(plateau_s: float, rise_10_90_s: float) -> float:
    """Share of the true peak that a first-order analyser shows after a plateau of `plateau_s`."""
    not_negative(plateau_s=plateau_s)
    positive(rise_10_90_s=rise_10_90_s)
    return -math.expm1(-plateau_s * TIME_CONSTANTS_10_90 / rise_10_90_s)
