"""The facts of one place at one moment: a flat snapshot, each value current or absent with reason.

Names and units are those of `rules.vocabulary`. Ages and windows are counted here, from the given
moment, so rules only compare. A value that is too old is absent: stale data never looks fresh.
"""

from __future__ import annotations

from service.bedside import Bedside
from service.facts.capnogram import SHAPE_FACTS, capnogram_facts
from service.facts.change import CHANGE_FACTS, change_facts
from service.facts.co2 import breathing_facts, co2_facts
from service.facts.factset import FactSet, FactValue
from service.facts.identity import identity_facts
from service.facts.other import (
    data_facts,
    numeric_facts,
    patient_facts,
    power_facts,
    settings_facts,
)
from service.facts.pressure import baseline_facts, pressure_facts
from service.facts.sources import sources_of

__all__ = ["FactSet", "FactValue", "facts_of", "sources_of"]


def facts_of(bedside: Bedside, now_ms: int, wanted: frozenset[str] | None = None) -> FactSet:
    """The facts of the place at `now_ms`.

    With `wanted`, costly groups in which no fact is wanted are left out; none of the wanted is.
    """
    facts = FactSet()
    patient_facts(bedside, facts)
    settings_facts(bedside, now_ms, facts)
    pressure_facts(bedside, now_ms, facts)
    baseline_facts(bedside, facts)
    if wanted is None or not wanted.isdisjoint(CHANGE_FACTS):
        change_facts(bedside, now_ms, facts)
    co2_facts(bedside, now_ms, facts)
    if wanted is None or not wanted.isdisjoint(SHAPE_FACTS):
        capnogram_facts(bedside, now_ms, facts)
    breathing_facts(bedside, now_ms, facts)
    numeric_facts(bedside, now_ms, facts)
    power_facts(bedside, now_ms, facts)
    data_facts(bedside, now_ms, facts)
    identity_facts(facts)
    return facts
