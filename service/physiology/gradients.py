"""By how much end-tidal CO2 differs from arterial CO2, as measured in animals.

A capnogram is not an arterial sample: in small animals on a sidestream sensor it reads far low,
since fresh gas dilutes the sample; in birds it may read high. Differences are end-tidal less
arterial, in mmHg.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from service.physiology.timing import not_negative
from service.physiology.uncertain import Uncertain, by_sd

Sampling = Literal["mainstream", "sidestream", "any"]
Breathing = Literal["ventilated", "spontaneous", "any"]


@dataclass(frozen=True, slots=True)
class Gradient:
    """One published difference. `sd_mmhg` is None where the source gave no spread that was read."""

    who: str
    sampling: Sampling
    breathing: Breathing
    condition: str
    mean_mmhg: float
    sd_mmhg: float | None
    source: str

    def arterial_mmhg(self, end_tidal_mmhg: float) -> Uncertain | None:
        """PaCO2 to expect with its 90 % interval; None without a spread. Never below zero."""
        not_negative(end_tidal_mmhg=end_tidal_mmhg)
        if self.sd_mmhg is None:
            return None
        return by_sd(end_tidal_mmhg - self.mean_mmhg, self.sd_mmhg).at_least(0.0)


_RAPTORS: Final = "Desmarchelier 2007 J Zoo Wildl Med 38:1-6"
_RABBITS_2023: Final = "Vet Anaesth Analg 2023;50:81-90"
_RABBITS_2020: Final = "Vet Anaesth Analg 2020;47:537-546"

GRADIENTS: Final[tuple[Gradient, ...]] = (
    # The spread of the first is not said to be one or two sd: taken as one, which is wider.
    Gradient("raptor", "any", "any", "EtCO2 30 to 49 mmHg", 1.0, 8.5, _RAPTORS),
    Gradient("raptor", "any", "ventilated", "over 0.3 of the expected rate", 5.54, 3.05, _RAPTORS),
    Gradient("raptor", "any", "ventilated", "slower than that", -6.43, 9.32, _RAPTORS),
    Gradient("rabbit", "mainstream", "ventilated", "", -12.6, 2.9, _RABBITS_2023),
    Gradient("rabbit", "sidestream", "ventilated", "12 /min", -23.9, 8.2, _RABBITS_2023),
    Gradient("rabbit", "sidestream", "ventilated", "20 /min", -38.0, None, _RABBITS_2023),
    # Limits of agreement from -35.2 to 1.8 are the mean and 1.95 sd either way.
    Gradient("rabbit", "mainstream", "spontaneous", "", -16.7, 18.5 / 1.95, _RABBITS_2020),
    Gradient("rabbit", "sidestream", "spontaneous", "50 mL/min", -27.9, None, _RABBITS_2020),
    Gradient("rabbit", "sidestream", "spontaneous", "50 mL/min", -18.1, None, _RABBITS_2020),
    # 2 to 5 mmHg under arterial: the middle, and a spread that holds both in its 90 %.
    Gradient("dog", "any", "any", "healthy", -3.5, 0.9, "from memory"),
    Gradient("cat", "any", "any", "healthy", -3.5, 0.9, "from memory"),
)


def gradients_of(who: str) -> tuple[Gradient, ...]:
    """All that is known of a species or group, in the order of the table; may be empty."""
    name = who.strip().casefold()
    return tuple(gradient for gradient in GRADIENTS if gradient.who == name)
