"""The conditions that an advisory may speak of: a small vocabulary, with what makes each true.

Each criterion is physical and measured in the simulation. `exists` is from where on an advisory of
this kind is right, `due` from where on it must be given, `grave` from where on at high priority.
The values are our choice where no source is named.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class Kind(StrEnum):
    """A condition of patient, ventilator or signals."""

    VOLUME_FALLS = "volume-falls"
    TUBE_NARROW = "tube-narrow"
    OCCLUDED = "occluded"
    LEAK = "leak"
    TARGET_NOT_REACHED = "target-not-reached"
    DISCONNECTED = "disconnected"
    NOT_CYCLING = "not-cycling"
    SUSTAINED_PRESSURE = "sustained-pressure"
    OVERPRESSURE = "overpressure"
    AUTO_PEEP = "auto-peep"
    HYPERCAPNIA = "hypercapnia"
    HYPOCAPNIA = "hypocapnia"
    REBREATHING = "rebreathing"
    CO2_DILUTED = "co2-diluted"
    NO_CO2 = "no-co2"
    CIRCULATION = "circulation"
    APNOEA = "apnoea"
    DESATURATION = "desaturation"
    COLD = "cold"
    COOLING = "cooling"
    BATTERY = "battery"
    OWN_BREATHING = "own-breathing"
    FRESH_GAS = "fresh-gas"
    PAW_SIGNAL = "paw-signal"
    CO2_SIGNAL = "co2-signal"
    SPO2_SIGNAL = "spo2-signal"
    DATA_SILENT = "data-silent"
    DATA_LOST = "data-lost"
    CLOCK = "clock"


@dataclass(frozen=True, slots=True)
class Criterion:
    """Levels of one measure. A `falling` measure is worse when lower. None: no such level.

    `grace_s`: an advisory that comes so long after the end of the condition is still of it,
    because what is asked about is a window of the past.
    """

    measure: str
    exists: float
    due: float | None
    grave: float | None = None
    falling: bool = False
    grace_s: float = 10.0

    def passed(self, value: float, level: float | None) -> bool:
        """Whether `value` is at `level` or worse."""
        if level is None:
            return False
        return value <= level if self.falling else value >= level


_ON: Final = 0.5
#: A grace of the longest window of a fact (60 s) where rules look back.
CRITERIA: Final[dict[Kind, Criterion]] = {
    Kind.VOLUME_FALLS: Criterion("volume of a breath over what a healthy one takes at these "
                                 "settings (none: 0)", 0.85, 0.70, 0.45, falling=True),
    Kind.TUBE_NARROW: Criterion("rise of the resistive step, cmH2O", 0.7, 1.5, 5.0),
    Kind.OCCLUDED: Criterion("tube closed, or no breath passes the dead space through it",
                             _ON, _ON, _ON),
    Kind.LEAK: Criterion("share of the fresh gas that leaks during an inflation", 0.08, 0.20, 0.6),
    Kind.TARGET_NOT_REACHED: Criterion("leak over flow at the target", 1.0, 1.0, 1.0),
    Kind.DISCONNECTED: Criterion("circuit off or tube out", _ON, _ON, _ON),
    Kind.NOT_CYCLING: Criterion("no inflation for so many usual breaths, in controlled mode",
                                3.0, None),
    Kind.SUSTAINED_PRESSURE: Criterion("time for which pressure has not come down, s",
                                       5.0, 6.0, 6.0),
    Kind.OVERPRESSURE: Criterion("peak pressure over target, cmH2O", 2.0, 4.0),
    Kind.AUTO_PEEP: Criterion("elastic pressure left at the end of expiration, cmH2O", 1.0, 2.0),
    Kind.HYPERCAPNIA: Criterion("alveolar CO2, mmHg (birds 5 lower)", 48.0, 60.0, 80.0,
                                grace_s=40.0),
    Kind.HYPOCAPNIA: Criterion("alveolar CO2, mmHg", 27.0, None, falling=True, grace_s=40.0),
    Kind.REBREATHING: Criterion("inspired CO2, mmHg (acted upon over 3-5, from memory)",
                                3.0, 5.0, None, grace_s=20.0),
    Kind.CO2_DILUTED: Criterion("share of the sample that is not the animal's", 0.15, 0.4),
    Kind.NO_CO2: Criterion("no CO2 reaches the analyser (s)", 5.0, None),
    Kind.CIRCULATION: Criterion("blood flow through the lung over healthy", 0.75, 0.5, 0.3,
                                falling=True, grace_s=15.0),
    Kind.APNOEA: Criterion("time without a breath that passes the dead space, s (reptiles 120, "
                           "amphibians never)", 15.0, 30.0, 60.0),
    Kind.DESATURATION: Criterion("arterial saturation, % (<95 hypoxaemia, <90 severe, AAHA 2020, "
                                 "from memory)", 95.0, 93.0, 90.0, falling=True, grace_s=30.0),
    Kind.COLD: Criterion("temperature under the low end for the species, C", 0.3, 1.0),
    Kind.COOLING: Criterion("temperature lost since the start, C", 0.4, None, grace_s=60.0),
    Kind.BATTERY: Criterion("minutes of battery over what is planned (or over 10)", 0.0, 0.0,
                            None, falling=True),
    Kind.OWN_BREATHING: Criterion("breathes by itself", _ON, None, grace_s=60.0),
    Kind.FRESH_GAS: Criterion("fresh gas flow over what is set", 0.85, 0.6, 0.3, falling=True),
    Kind.PAW_SIGNAL: Criterion("pressure signal wrong or absent, s", 4.5, 8.0),
    Kind.CO2_SIGNAL: Criterion("CO2 signal wrong or absent, s", 4.5, 20.0),
    Kind.SPO2_SIGNAL: Criterion("saturation wrong or absent, s", 4.5, 30.0),
    Kind.DATA_SILENT: Criterion("nothing sent for, s", 4.5, 12.0),
    Kind.DATA_LOST: Criterion("messages lost in a row", 3.0, 10.0, grace_s=60.0),
    Kind.CLOCK: Criterion("clock wrong by, s", 10.0, 15.0, grace_s=35.0),
}  # fmt: skip

#: What each condition brings with it at once, so that an advisory of those kinds is right as well.
IMPLIES: Final[dict[Kind, frozenset[Kind]]] = {
    Kind.TUBE_NARROW: frozenset({Kind.VOLUME_FALLS}),
    Kind.OCCLUDED: frozenset({Kind.VOLUME_FALLS, Kind.TUBE_NARROW, Kind.NO_CO2, Kind.APNOEA}),
    Kind.TARGET_NOT_REACHED: frozenset(
        {Kind.LEAK, Kind.VOLUME_FALLS, Kind.NOT_CYCLING, Kind.NO_CO2, Kind.FRESH_GAS}
    ),
    Kind.DISCONNECTED: frozenset(
        {Kind.LEAK, Kind.VOLUME_FALLS, Kind.NOT_CYCLING, Kind.NO_CO2, Kind.APNOEA,
         Kind.TARGET_NOT_REACHED}
    ),
    Kind.SUSTAINED_PRESSURE: frozenset(
        {Kind.OVERPRESSURE, Kind.NOT_CYCLING, Kind.AUTO_PEEP, Kind.NO_CO2, Kind.VOLUME_FALLS}
    ),
    Kind.APNOEA: frozenset({Kind.NO_CO2, Kind.VOLUME_FALLS}),
    Kind.DATA_SILENT: frozenset(
        {Kind.PAW_SIGNAL, Kind.CO2_SIGNAL, Kind.SPO2_SIGNAL, Kind.DATA_LOST}
    ),
    Kind.DATA_LOST: frozenset({Kind.PAW_SIGNAL, Kind.CO2_SIGNAL, Kind.DATA_SILENT}),
}  # fmt: skip
