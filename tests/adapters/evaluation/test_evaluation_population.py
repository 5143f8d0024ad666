"""The population: reproducible, healthy to begin with, and with everything in it."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest
from scipy import stats

from adapters.evaluation import benign, faults
from adapters.evaluation.animals import expected_volume_ml
from adapters.evaluation.case import events_of, place_of
from adapters.evaluation.population import HEALTHY_SHARE, draw_case
from adapters.evaluation.species import SPECIES, mass_band
from adapters.evaluation.trace import simulate
from adapters.evaluation.truth import truth_of
from service.physiology import allometry

CASES = [draw_case(3, number) for number in range(1500)]


def test_a_case_is_the_same_alone_and_among_others() -> None:
    assert draw_case(3, 700) == CASES[700]
    assert draw_case(4, 700) != CASES[700]


def test_everything_is_drawn() -> None:
    assert {case.animal.species for case in CASES} == set(SPECIES)
    drawn = {(case.fault.id, case.fault.severity) for case in CASES if case.fault is not None}
    assert drawn == {(fault.id, level) for fault in faults.FAULTS for level in fault.severities}
    happened = {one.id for case in CASES for one in case.happenings}
    assert happened == {one.id for one in benign.HAPPENINGS}


def test_the_share_without_a_fault() -> None:
    healthy = sum(case.fault is None for case in CASES)
    assert stats.binomtest(healthy, len(CASES), HEALTHY_SHARE).pvalue > 0.001


def test_there_is_a_healthy_stretch_first_and_nothing_benign_just_before_a_fault() -> None:
    for case in CASES:
        assert 240.0 <= case.lasts_s <= 480.0
        if case.fault is None:
            continue
        assert case.fault.begins_s >= 90.0
        assert all(one.ends_s <= case.fault.begins_s - 10.0 for one in case.happenings)


def test_animals_are_set_plausibly() -> None:
    for case in CASES:
        animal, settings = case.animal, case.animal.settings
        low, high = animal.species.mass_kg
        assert low <= animal.mass_kg <= high
        volume, ti_s = expected_volume_ml(settings, animal.circuit, animal.lung)
        rate = 60.0 / (ti_s + settings.te_set_s)
        # Tidal volumes in use: 8-12 mL/kg in small mammals to 15-30 in reptiles (from memory);
        # animals scatter around the line.
        assert 5.0 < volume / animal.mass_kg < 40.0
        assert 2.0 <= rate <= 125.0
        assert volume > 1.3 * animal.lung.dead_space_ml
        assert settings.pip_target_cmh2o <= 14.0
        step = settings.fresh_gas_flow_ml_per_min / 60.0 * animal.lung.resistance_cmh2o_s_per_l
        assert step / 1000.0 < 2.0
        # A T-piece takes 2-3 times the minute volume; here all of it inflates (from memory).
        assert settings.fresh_gas_flow_ml_per_min > volume * rate
        if animal.species.class_ == "mammal":
            line = allometry.mammal(animal.mass_kg).compliance_ml_per_cmh2o
            assert 0.5 < animal.lung.compliance_ml_per_cmh2o / line < 2.0


def test_mass_bands() -> None:
    assert mass_band(0.03) == "0-0.1 kg"
    assert mass_band(0.1) == "0.1-0.3 kg"
    assert mass_band(10.0) == "3-10 kg"
    with pytest.raises(ValueError, match="mass_kg: 12"):
        mass_band(12.0)


def test_a_negative_case_is_refused() -> None:
    with pytest.raises(ValueError, match="number"):
        draw_case(1, -1)


def test_events_are_those_of_the_simulator_in_order() -> None:
    for case in CASES[:200]:
        place = place_of(case)
        times = [event.at_s for event in place.events]
        assert times == sorted(times)
        assert len(times) == len(events_of(case))


@pytest.mark.slow
def test_what_is_benign_makes_no_condition() -> None:
    # CO2 of a mammal may pass its level where the team lowered the rate: that is a condition.
    healthy = [case for case in CASES if case.fault is None][:25]
    found = Counter(
        stretch.kind.value
        for case in healthy
        for stretch in truth_of(case, simulate(case)).stretches
    )
    assert set(found) <= {"hypercapnia", "hypocapnia"}
    assert sum(found.values()) <= 5


@pytest.mark.slow
def test_the_healthy_have_the_co2_that_the_team_wants() -> None:
    # Alveolar ventilation equation, from the settings drawn; reached within the wanted band and a
    # margin for what moves with each breath.
    wanted = {"mammal": (28.0, 48.0), "bird": (25.0, 46.0), "reptile": (5.0, 30.0)}
    for case in CASES[:40]:
        # How it begins does not depend on how long it lasts.
        first = simulate(replace(case, lasts_s=20.0)).instants[0]
        low, high = wanted[case.animal.species.class_]
        assert low < first.arterial_co2_mmhg < high, case.number
        assert first.saturation > 0.95
