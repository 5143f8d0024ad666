"""What an animal of a given mass may be expected to breathe: allometry.

For plausibility only, never a limit: the lines were fitted to animals at rest, mostly of rat to
human size, and their physiological state has been questioned (J Exp Biol 1991;161:533). An
anaesthetised, ventilated patient is set lower in rate and higher in volume.
Sources (coefficients from memory): mammals, Stahl, J Appl Physiol 1967;22:453-460; birds,
Lasiewski & Calder, Respir Physiol 1971;11:152-166, trachea Hinds & Calder 1971; reptiles, Bennett &
Dawson 1976, at 30 C.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Literal

from service.physiology.timing import positive

#: A value from half to twice the line is plausible (our suggestion, no source).
BAND: Final = (0.5, 2.0)
_G_PER_KG: Final = 1000.0
_MINUTES_PER_HOUR: Final = 60.0


Quantity = Literal[
    "rate_per_min",
    "tidal_volume_ml",
    "minute_volume_ml_per_min",
    "dead_space_ml",
    "compliance_ml_per_cmh2o",
    "resistance_cmh2o_s_per_l",
    "oxygen_uptake_ml_per_min",
    "functional_residual_capacity_ml",
    "heart_rate_per_min",
    "trachea_ml",
]
#: A pulse may be slower than the band for all others: anaesthesia slows the heart (common practice,
#: no source), and a slow heart must not pass for a bad sensor.
_BANDS: Final[Mapping[Quantity, tuple[float, float]]] = {"heart_rate_per_min": (1.0 / 3.0, 2.0)}


@dataclass(frozen=True, slots=True)
class Mammal:
    """A resting mammal after Stahl. Lung compliance is that of the lung without chest wall."""

    rate_per_min: float
    tidal_volume_ml: float
    minute_volume_ml_per_min: float
    dead_space_ml: float
    compliance_ml_per_cmh2o: float
    lung_compliance_ml_per_cmh2o: float
    resistance_cmh2o_s_per_l: float
    oxygen_uptake_ml_per_min: float
    functional_residual_capacity_ml: float
    heart_rate_per_min: float


@dataclass(frozen=True, slots=True)
class Bird:
    """A resting bird after Lasiewski & Calder."""

    rate_per_min: float
    tidal_volume_ml: float
    minute_volume_ml_per_min: float
    trachea_ml: float


@lru_cache(maxsize=1024)
def mammal(mass_kg: float) -> Mammal:
    """The mammal of `mass_kg` on Stahl's lines."""
    positive(mass_kg=mass_kg)
    return Mammal(
        rate_per_min=53.5 * mass_kg**-0.26,
        tidal_volume_ml=7.69 * mass_kg**1.04,
        # A regression of its own: it differs from rate times volume by 4 to 16 %.
        minute_volume_ml_per_min=379.0 * mass_kg**0.80,
        dead_space_ml=2.76 * mass_kg**0.96,
        compliance_ml_per_cmh2o=1.56 * mass_kg**1.04,
        lung_compliance_ml_per_cmh2o=2.10 * mass_kg**1.08,
        resistance_cmh2o_s_per_l=24.4 * mass_kg**-0.70,
        oxygen_uptake_ml_per_min=11.6 * mass_kg**0.76,
        functional_residual_capacity_ml=24.1 * mass_kg**1.13,
        heart_rate_per_min=241.0 * mass_kg**-0.25,
    )


@lru_cache(maxsize=1024)
def bird(mass_kg: float) -> Bird:
    """The bird of `mass_kg` on the lines of Lasiewski & Calder."""
    positive(mass_kg=mass_kg)
    return Bird(
        rate_per_min=17.2 * mass_kg**-0.31,
        tidal_volume_ml=13.2 * mass_kg**1.08,
        minute_volume_ml_per_min=284.0 * mass_kg**0.77,
        trachea_ml=3.7 * mass_kg**1.09,
    )


def reptile_oxygen_uptake_ml_per_min(mass_kg: float) -> float:
    """Resting oxygen uptake in mL/min of a reptile of `mass_kg` at 30 C (Bennett & Dawson)."""
    positive(mass_kg=mass_kg)
    return float(0.278 * (_G_PER_KG * mass_kg) ** 0.77 / _MINUTES_PER_HOUR)


def bird_heart_rate_per_min(mass_kg: float) -> float:
    """Resting heart rate of a bird of `mass_kg`: 155.8 M^-0.23 (Calder 1968, from memory)."""
    positive(mass_kg=mass_kg)
    return float(155.8 * mass_kg**-0.23)


def expected(quantity: Quantity, class_: str, mass_kg: float) -> float | None:
    """What the line of the class gives, in the unit of the name; None where none is known.

    Reptiles have a line for oxygen uptake only (30 C), amphibians none at all.
    """
    positive(mass_kg=mass_kg)
    match class_:
        case "mammal":
            return _member(mammal(mass_kg), quantity)
        case "bird":
            if quantity == "heart_rate_per_min":
                return bird_heart_rate_per_min(mass_kg)
            return _member(bird(mass_kg), quantity)
        case "reptile" if quantity == "oxygen_uptake_ml_per_min":
            return reptile_oxygen_uptake_ml_per_min(mass_kg)
    return None


def _member(animal: Mammal | Bird, quantity: Quantity) -> float | None:
    value: float | None = getattr(animal, quantity, None)
    return value


def plausible_range(quantity: Quantity, class_: str, mass_kg: float) -> tuple[float, float] | None:
    """Lowest and highest plausible value in the unit of the name; None where nothing is known.

    From half to twice the line, a heart rate from a third to twice: our suggestion, no source.
    """
    line = expected(quantity, class_, mass_kg)
    if line is None:
        return None
    low, high = _BANDS.get(quantity, BAND)
    return low * line, high * line


def plausible(value: float, line: float) -> bool:
    """Whether `value` lies within the band around what the line gives (same unit)."""
    positive(line=line)
    low, high = BAND
    return low * line <= value <= high * line
