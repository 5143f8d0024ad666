"""Limits of small-animal-ventilation 2.1.0 against published figures.

What was measured in healthy animals, or used in studies without harm, must lie inside the limits;
what is published as a reason to act must lie outside. The papers were read in their abstracts or on
secondary pages, not in full.
"""

from __future__ import annotations

import pytest

from adapters.rule_files import load_rules
from rules.limits import PatientContext

LIMITS = load_rules("small-animal-ventilation@2.1.0").rule_set.limits

CAT = PatientContext("mammal", "cat", 3.5, "maintenance")
SMALL_CAT = PatientContext("mammal", "kitten", 0.6, "maintenance")
DOG = PatientContext("mammal", "dog", 10.0, "maintenance")
RABBIT = PatientContext("mammal", "rabbit", 3.6, "maintenance")
PARROT = PatientContext("bird", "grey parrot", 0.45, "maintenance")
RAPTOR = PatientContext("bird", "buzzard", 0.9, "maintenance")
COCKATOO = PatientContext("bird", "cockatoo", 0.8, "maintenance")
REPTILE = PatientContext("reptile", "tortoise", 1.2, "maintenance")


def limit(name: str, patient: PatientContext) -> float:
    value = LIMITS.resolve(patient)[name].value
    assert value is not None, f"{name} has no value for {patient}"
    return value


@pytest.mark.parametrize(
    ("name", "patient", "measured", "source"),
    [
        ("etco2_high", DOG, 45.0, "mammals 35-45 mmHg (several texts)"),
        ("etco2_high", CAT, 45.0, "cats, lightly anaesthetised 35-45 (Dunlop, WSAVA 2014)"),
        ("etco2_high", PARROT, 45.0, "anaesthetised grey parrots 30-45 mmHg"),
        ("etco2_high", RAPTOR, 49.0, "raptors 30-49 mmHg (Desmarchelier 2007)"),
        ("fico2_some", CAT, 1.426, "0.2 % dry, a T-piece study's threshold in cats of 3.1 kg"),
        ("driving_high", DOG, 9.0, "healthy dogs 9 cmH2O (Donati 2019 J Vet Sci 20(3):e21)"),
        ("driving_high", CAT, 5.0, "healthy cats 5 cmH2O (Martins 2022 Front Vet Sci)"),
        ("volume_high", DOG, 16.0, "healthy dogs 16 mL/kg (Donati 2019)"),
        ("volume_high", CAT, 10.0, "cats 10 mL/kg (PEEP study, fvets.2022.865673)"),
        ("pip_ceiling", REPTILE, 10.0, "reptiles: not above 10-15 cmH2O"),
        ("rate_high", DOG, 25.0, "small dogs 15-25 /min (Clinician's Brief 2017)"),
        ("rate_high", CAT, 25.0, "cats 15-25 /min (Clinician's Brief 2017)"),
        ("rate_high", COCKATOO, 12.0, "cockatoos at 12 /min (Chemonges 2014 Vet Med Int 250523)"),
        ("rate_high", REPTILE, 8.0, "reptiles 4-8 /min"),
    ],
)  # fmt: skip
def test_what_healthy_animals_show_lies_under_the_limit(
    name: str, patient: PatientContext, measured: float, source: str
) -> None:
    assert measured < limit(name, patient), source


@pytest.mark.parametrize(
    ("name", "patient", "measured", "source"),
    [
        ("etco2_low", DOG, 35.0, "mammals 35-45 mmHg (several texts)"),
        ("etco2_low", CAT, 30.0, "awake cats 30-38 mmHg (Dunlop, WSAVA 2014, Table 1)"),
        ("volume_low", DOG, 10.0, "healthy dogs 10-20 mL/kg (Donati 2019)"),
        ("volume_low", CAT, 6.7, "healthy cats 6.7 mL/kg at 5 cmH2O (Martins 2022)"),
        ("rate_low", DOG, 8.0, "large dogs 8-20 /min (Clinician's Brief 2017)"),
        ("rate_low", CAT, 15.0, "cats, ventilated at 15 /min (Martins 2022)"),
        ("rate_low", COCKATOO, 6.0, "cockatoos at 6 /min (Chemonges 2014)"),
        ("rate_low", REPTILE, 4.0, "reptiles 4-8 /min"),
        ("flow_low", CAT, 455.0, "455 mL/kg/min kept cats of 3.1 kg free of rebreathing"),
        ("flow_low", DOG, 201.0, "T-piece: 200-300 mL/kg/min reasonably safe"),
    ],
)  # fmt: skip
def test_what_healthy_animals_show_lies_over_the_limit(
    name: str, patient: PatientContext, measured: float, source: str
) -> None:
    assert measured > limit(name, patient), source


@pytest.mark.parametrize(
    ("name", "patient", "acted_upon", "source"),
    [
        ("etco2_high", DOG, 55.5, "consider ventilating above about 55 mmHg (NAVAS 2022)"),
        ("etco2_high", CAT, 50.5, "cats above 50 are deep (Dunlop, WSAVA 2014, Table 1)"),
        ("pip_ceiling", CAT, 15.5, "cats: overdistension grows to 15 cmH2O (Martins 2022)"),
        ("pip_ceiling", REPTILE, 15.5, "reptiles: not above 10-15 cmH2O"),
        ("volume_high", DOG, 20.5, "10-20 mL/kg recommended (Donati 2019)"),
    ],
)  # fmt: skip
def test_what_is_published_as_too_much_lies_over_the_limit(
    name: str, patient: PatientContext, acted_upon: float, source: str
) -> None:
    assert acted_upon > limit(name, patient), source


def test_saturation_under_95_is_low() -> None:
    # More than 95 % wanted (Clinician's Brief 2017, Table 1).
    assert limit("spo2_low", DOG) == 95.0


def test_where_a_paper_says_that_the_number_means_little_there_is_none() -> None:
    # Rabbits read 12.6 to 38 mmHg low (Vet Anaesth Analg 2023;50:81-90); reptiles: trend only;
    # raptors differ by up to 19 mmHg either way at low rates (Desmarchelier 2007).
    for patient in (RABBIT, RAPTOR):
        low = LIMITS.resolve(patient)["etco2_low"]
        assert (low.value, low.source is not None) == (None, True)
    high = LIMITS.resolve(REPTILE)["etco2_high"]
    assert high.value is None
    assert "trend" in (high.absent or "")


def test_the_target_of_a_very_small_cat_is_inside() -> None:
    # 9-10 cmH2O (common practice, no source).
    assert limit("pip_ceiling", SMALL_CAT) > 10.0
