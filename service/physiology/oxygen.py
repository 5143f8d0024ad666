"""Oxygen: saturation from partial pressure by species, and the alveolar gas equation.

The curve is that of Severinghaus (J Appl Physiol 1979;46:599-602), scaled along the pressure axis
to the P50 of the species. Partial pressures in mmHg, saturation and gas fractions from 0 to 1.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from service.physiology.timing import not_negative, positive
from service.physiology.uncertain import Uncertain, by_share

_CUBIC: Final = 23400.0
_LINEAR: Final = 150.0
WATER_VAPOUR_MMHG: Final = 47.0
SEA_LEVEL_MMHG: Final = 760.0
RESPIRATORY_QUOTIENT: Final = 0.8


def _hill_like(po2_mmhg: float, cubic: float, linear: float) -> float:
    term = po2_mmhg * (po2_mmhg * po2_mmhg + linear)
    return 1.0 / (cubic / term + 1.0) if term else 0.0


def severinghaus_saturation(po2_mmhg: float) -> float:
    """S = 1 / (23400 / (P^3 + 150 P) + 1), human blood at pH 7.4 and 37 C."""
    not_negative(po2_mmhg=po2_mmhg)
    return _hill_like(po2_mmhg, _CUBIC, _LINEAR)


def severinghaus_po2_mmhg(saturation: float) -> float:
    """The PO2 in mmHg at which the equation gives `saturation` (0 up to, not with, 1).

    The exact root of the cubic, P^3 + 150 P = 23400 S/(1-S), by its hyperbolic form; the paper's
    own inverse is a fit that leaves up to about 1 %.
    """
    not_negative(saturation=saturation)
    if saturation >= 1.0:
        raise ValueError(f"saturation must be below 1, not {saturation!r}")
    product = _CUBIC * saturation / (1.0 - saturation)
    scale = math.sqrt(_LINEAR / 3.0)
    return 2.0 * scale * math.sinh(math.asinh(product / (2.0 * scale**3)) / 3.0)


#: P50 of the unscaled equation, 26.86 mmHg.
EQUATION_P50_MMHG: Final = severinghaus_po2_mmhg(0.5)


def saturation(po2_mmhg: float, p50_mmhg: float) -> float:
    """Saturation (0 to 1) of blood with `p50_mmhg`, from the scaled curve."""
    positive(p50_mmhg=p50_mmhg)
    return severinghaus_saturation(po2_mmhg * EQUATION_P50_MMHG / p50_mmhg)


def po2_for_saturation_mmhg(share: float, p50_mmhg: float) -> float:
    """PO2 in mmHg at which blood with `p50_mmhg` has the saturation `share` (0 to 1)."""
    positive(p50_mmhg=p50_mmhg)
    return severinghaus_po2_mmhg(share) * p50_mmhg / EQUATION_P50_MMHG


def dog_saturation_39c(po2_mmhg: float) -> float:
    """Dog blood at 39 C: S = 1/(37900/(P^3 + 205 P) + 1), Reeves, J Appl Physiol 1982."""
    not_negative(po2_mmhg=po2_mmhg)
    return _hill_like(po2_mmhg, 37900.0, 205.0)


@dataclass(frozen=True, slots=True)
class Blood:
    """P50 of a species at pH 7.4, 37 C, PCO2 40 mmHg (unless its source says otherwise).

    `sd_mmhg` is how much single animals differ; None where the source gave none that was read.
    The shifts are d log10(P50) per unit of pH, per degree and per tenfold PCO2.
    """

    p50_mmhg: float
    source: str
    sd_mmhg: float | None = None
    per_ph: float = 0.0
    per_celsius: float = 0.0
    per_log_pco2: float = 0.0


_CLERBAUX: Final = "Clerbaux 1993 Comp Biochem Physiol A 106:687-694"
_CAMBIER: Final = "Cambier 2004 Res Vet Sci 77:83-88"
BLOOD: Final[Mapping[str, Blood]] = {
    "human": Blood(26.6, _CLERBAUX, 1.2),
    "horse": Blood(23.8, _CLERBAUX, 0.8),
    "cattle": Blood(25.0, _CLERBAUX, 1.4),
    # The dogs of one study differ by 1.3, breeds from 25.8 to 35.8 (Clerbaux): the breed counts.
    "dog": Blood(30.0, _CAMBIER, 3.3, per_ph=-0.370, per_celsius=0.020, per_log_pco2=0.093),
    "cat": Blood(34.1, _CAMBIER, 1.8, per_ph=-0.405, per_celsius=0.016, per_log_pco2=0.080),
    "pigeon": Blood(
        29.46, "Lutz 1973 Respir Physiol 17(3), at 41 C, pH 7.5, PCO2 35", per_ph=-0.566
    ),
    "rabbit": Blood(31.0, "from memory"),
    "rat": Blood(38.0, "from memory"),
    "mouse": Blood(41.0, "from memory"),
    "chicken": Blood(41.0, "from memory: 35 to 48"),
}


#: How far a P50 that is only known by size, or from memory, may lie off (sd, as a share). The
#: sourced mammals of this table lie within 6 % of the size line.
ROUGH_P50_SHARE_SD: Final = 0.07


def p50_by_mass_mmhg(mass_kg: float) -> float:
    """P50 in mmHg of a mammal by size: 50.34 (mass in g)^-0.054.

    Smaller animals have a higher P50: Schmidt-Nielsen & Larimer, Am J Physiol 1958;195:424
    (coefficients from memory).
    """
    positive(mass_kg=mass_kg)
    return float(50.34 * (1000.0 * mass_kg) ** -0.054)


def p50_of(
    species: str, mass_kg: float | None = None, temperature_c: float = 37.0
) -> Uncertain | None:
    """P50 in mmHg of one mammal with its 90 % interval, pH 7.4, PCO2 40 mmHg.

    By species where one is listed, else by size; None when neither is known. Shifted to
    `temperature_c` where the shift of the species was published.
    """
    blood = BLOOD.get(species.strip().casefold())
    if blood is None:
        if mass_kg is None:
            return None
        return by_share(p50_by_mass_mmhg(mass_kg), ROUGH_P50_SHARE_SD)
    p50 = shifted_p50_mmhg(blood, temperature_c=temperature_c)
    share_sd = ROUGH_P50_SHARE_SD if blood.sd_mmhg is None else blood.sd_mmhg / blood.p50_mmhg
    return by_share(p50, share_sd)


def shifted_p50_mmhg(
    blood: Blood, ph: float = 7.4, temperature_c: float = 37.0, pco2_mmhg: float = 40.0
) -> float:
    """P50 in mmHg at another pH, temperature (C) or PCO2 (mmHg); one shift at a time is sourced."""
    positive(ph=ph, temperature_c=temperature_c, pco2_mmhg=pco2_mmhg)
    exponent = (
        blood.per_ph * (ph - 7.4)
        + blood.per_celsius * (temperature_c - 37.0)
        + blood.per_log_pco2 * math.log10(pco2_mmhg / 40.0)
    )
    return float(blood.p50_mmhg * 10.0**exponent)


def alveolar_po2_mmhg(
    inspired_share: float, arterial_co2_mmhg: float, barometric_mmhg: float = SEA_LEVEL_MMHG
) -> float:
    """PAO2 in mmHg by the full alveolar gas equation, R = 0.8.

    FiO2 (PB - 47) - PaCO2 [FiO2 + (1 - FiO2)/R]; never below zero.
    """
    share = inspired_share + (1.0 - inspired_share) / RESPIRATORY_QUOTIENT
    return _alveolar(inspired_share, arterial_co2_mmhg, barometric_mmhg, share)


def alveolar_po2_short_mmhg(
    inspired_share: float,
    arterial_co2_mmhg: float,
    barometric_mmhg: float = SEA_LEVEL_MMHG,
    quotient: float = RESPIRATORY_QUOTIENT,
) -> float:
    """PAO2 in mmHg by the short form, FiO2 (PB - 47) - PaCO2/R; never below zero."""
    positive(quotient=quotient)
    return _alveolar(inspired_share, arterial_co2_mmhg, barometric_mmhg, 1.0 / quotient)


def _alveolar(
    inspired_share: float, arterial_co2_mmhg: float, barometric_mmhg: float, share: float
) -> float:
    not_negative(inspired_share=inspired_share, arterial_co2_mmhg=arterial_co2_mmhg)
    positive(barometric_mmhg=barometric_mmhg)
    if inspired_share > 1.0:
        raise ValueError(f"inspired_share must be at most 1, not {inspired_share!r}")
    if barometric_mmhg <= WATER_VAPOUR_MMHG:
        raise ValueError(f"barometric_mmhg must be over {WATER_VAPOUR_MMHG:g}")
    inspired = inspired_share * (barometric_mmhg - WATER_VAPOUR_MMHG)
    return max(0.0, inspired - arterial_co2_mmhg * share)
