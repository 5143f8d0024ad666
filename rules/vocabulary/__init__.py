"""The catalogue of facts: everything that a rule may ask about a place.

A fact has a UCUM unit, a kind, a plausible range and a producer. The service computes facts for
one moment; a value outside the plausible range is treated as unknown, with that as its reason.
Time windows are facts of their own (`breath.count_60s`), so a rule only compares.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import chain
from typing import Final

from rules.vocabulary.breaths import BREATH_KINDS, BREATHS
from rules.vocabulary.co2 import CO2, CO2_BASELINES, CO2_COURSES, CO2_WAVEFORMS
from rules.vocabulary.data import DATA
from rules.vocabulary.fact import Fact, Kind
from rules.vocabulary.lung import CAUSES, LUNG, VOLUME_METHODS
from rules.vocabulary.monitor import MONITOR
from rules.vocabulary.patient import CLASSES, MODES, PATIENT, PHASES, SETTINGS
from rules.vocabulary.power import POWER, SUPPLIES
from rules.vocabulary.pressure import PRESSURE

__all__ = [
    "BREATH_KINDS", "CATALOGUE", "CAUSES", "CLASSES", "CO2_BASELINES", "CO2_COURSES",
    "CO2_WAVEFORMS", "MODES", "PHASES", "SUPPLIES", "VOLUME_METHODS", "Fact", "Kind",
]  # fmt: skip

CATALOGUE: Final[Mapping[str, Fact]] = {
    fact.name: fact
    for fact in chain(PATIENT, SETTINGS, PRESSURE, BREATHS, LUNG, CO2, MONITOR, POWER, DATA)
}
