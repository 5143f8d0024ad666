"""Which value of a limit holds for which patient. The numbers are made up."""

from __future__ import annotations

import datetime
import itertools

import pytest

from rules.limits import (
    Confidence,
    Limit,
    LimitEntry,
    LimitTable,
    PatientContext,
    ResolvedLimit,
    Source,
    Where,
)
from rules.loading import RuleSetError, load_rule_set

ABOUT = "name: test\nversion: 0.1.0\ntitle: t\nsummary: s\ncaution: c\n"
SOURCE = "source: {ref: x, confidence: memory}"

LADDER = """\
- {value: 1, since: 2026-01-01, SOURCE}
- {value: 2, where: {phase: weaning}, since: 2026-01-01, SOURCE}
- {value: 3, where: {mass: 0 kg to 1 kg}, since: 2026-01-01, SOURCE}
- {value: 4, where: {mass: 0 kg to 1 kg, phase: weaning}, since: 2026-01-01, SOURCE}
- {value: 5, where: {class: mammal}, since: 2026-01-01, SOURCE}
- {value: 6, where: {class: mammal, phase: weaning}, since: 2026-01-01, SOURCE}
- {value: 7, where: {class: mammal, mass: 0 g to 1000 g}, since: 2026-01-01, SOURCE}
- {value: 8, where: {species: hedgehog}, since: 2026-01-01, SOURCE}
- {value: 9, where: {class: mammal, species: hedgehog}, since: 2026-01-01, SOURCE}
"""


def _resolve(values: str, patient: PatientContext) -> ResolvedLimit:
    return _load(values).resolve(patient)["x"]


def _load(values: str) -> LimitTable:
    lines = "".join(f"      {line}\n" for line in values.replace("SOURCE", SOURCE).splitlines())
    limits = f"limits:\n  x:\n    meaning: m\n    unit: s\n    values:\n{lines}"
    return load_rule_set({"rule-set.yaml": ABOUT, "limits.yaml": limits}).limits


def _first(count: int) -> str:
    return "\n".join(LADDER.splitlines()[:count])


@pytest.mark.parametrize("count", range(1, 10))
def test_the_most_specific_wins(count: int) -> None:
    """Species before class before mass band before phase before none."""
    patient = PatientContext("mammal", "Hedgehog ", 0.4, "weaning")
    assert _resolve(_first(count), patient).value == count
    for order in itertools.islice(itertools.permutations(_first(count).splitlines()), 20):
        assert _resolve("\n".join(order), patient).value == count


@pytest.mark.parametrize(
    ("mass_kg", "value"),
    [(0.0, 1), (0.999999, 1), (1.0, 2), (1.9, 2), (2.0, None), (None, None)],
)
def test_the_low_end_of_a_band_is_in_it_and_the_high_end_is_not(
    mass_kg: float | None, value: float | None
) -> None:
    values = (
        "- {value: 1, where: {class: bird, mass: 0 kg to 1 kg}, since: 2026-01-01, SOURCE}\n"
        "- {value: 2, where: {class: bird, mass: 1000 g to 2 kg}, since: 2026-01-01, SOURCE}\n"
    )
    resolved = _resolve(values, PatientContext("bird", None, mass_kg, None))
    assert resolved.value == value
    assert (resolved.absent is None) == (value is not None)


def test_of_two_equally_specific_the_later_wins() -> None:
    values = (
        "- {value: 2, where: {class: bird}, since: 2026-02-01, SOURCE}\n"
        "- {value: 1, where: {class: bird}, since: 2026-01-01, SOURCE}\n"
    )
    resolved = _resolve(values, PatientContext("bird"))
    assert (resolved.value, resolved.since) == (2, datetime.date(2026, 2, 1))


def test_a_later_value_does_not_win_over_a_more_specific_one() -> None:
    values = (
        "- {value: 1, where: {class: bird}, since: 2026-01-01, SOURCE}\n"
        "- {value: 2, since: 2026-09-01, SOURCE}\n"
    )
    assert _resolve(values, PatientContext("bird")).value == 1


@pytest.mark.parametrize(
    ("one", "other", "conflict"),
    [
        ("class: bird", "class: bird", True),
        ("class: bird", "class: reptile", False),
        ("class: bird", "class: bird, phase: weaning", False),
        ("species: owl", "species: Owl", True),
        ("species: owl", "species: hedgehog", False),
        ("mass: 0 kg to 1 kg", "mass: 0.5 kg to 2 kg", True),
        ("mass: 0 kg to 1 kg", "mass: 1 kg to 2 kg", False),
        ("mass: 0 kg to 1 kg, phase: weaning", "mass: 0 kg to 1 kg, phase: induction", False),
    ],
)
def test_nothing_may_be_left_undecided(one: str, other: str, conflict: bool) -> None:
    values = "".join(
        f"- {{value: 1, where: {{{where}}}, since: 2026-01-01, SOURCE}}\n" for where in (one, other)
    )
    if conflict:
        with pytest.raises(RuleSetError, match="hold for the same patients since the same day"):
            _load(values)
    else:
        assert len(_load(values).limits["x"].entries) == 2


def test_a_patient_of_unknown_class_has_only_what_holds_for_all() -> None:
    patient = PatientContext(None, "hedgehog", 0.4, "weaning")
    assert _resolve(LADDER, patient).value == 1
    resolved = _resolve("\n".join(LADDER.splitlines()[1:]), patient)
    assert (resolved.value, resolved.absent) == (None, "the class of the animal is not known")


def test_a_species_without_a_value_of_its_own_takes_that_of_its_class_and_says_so() -> None:
    values = (
        "- {value: 5, where: {class: mammal}, since: 2026-01-01, SOURCE}\n"
        "- {value: 8, where: {species: rat}, since: 2026-01-01, SOURCE}\n"
    )
    resolved = _resolve(values, PatientContext("mammal", "hedgehog"))
    assert resolved.value == 5
    assert resolved.note == "no value of its own for hedgehog: the value for mammals is used"
    assert _resolve(values, PatientContext("mammal", "rat")).note is None
    assert _resolve(values, PatientContext("mammal", None)).note is None
    both = "- {value: 8, where: {class: mammal, species: rat}, since: 2026-01-01, SOURCE}\n"
    assert _resolve(both, PatientContext("mammal", "rat")).note is None


def test_no_note_where_no_species_is_listed_at_all() -> None:
    values = "- {value: 5, where: {class: mammal}, since: 2026-01-01, SOURCE}\n"
    assert _resolve(values, PatientContext("mammal", "hedgehog")).note is None


def test_an_absent_limit_says_why_and_whence() -> None:
    values = "- {absent: shunting hearts, where: {class: reptile}, since: 2026-01-01, SOURCE}\n"
    resolved = _resolve(values, PatientContext("reptile", "tortoise"))
    assert (resolved.value, resolved.absent) == (None, "shunting hearts")
    assert resolved.source == Source("x", Confidence.MEMORY)
    missing = _resolve(values, PatientContext("bird"))
    assert (missing.value, missing.absent) == (None, "no value is given for birds")
    assert missing.source is None


@pytest.mark.parametrize(
    ("patient", "words"),
    [
        (PatientContext("mammal", "hedgehog", 0.4, "weaning"), "hedgehog"),
        (PatientContext("mammal", "rat", 0.4, None), "mammals, 0 g to 1000 g"),
        (PatientContext("mammal", "rat", 3.0, "weaning"), "mammals, weaning"),
        (PatientContext("bird", None, 3.0, "induction"), "every patient"),
    ],
)
def test_for_whom_the_value_is_written(patient: PatientContext, words: str) -> None:
    assert _resolve(LADDER, patient).where == words


def test_a_limit_without_entries_is_absent() -> None:
    table = LimitTable({"x": Limit("x", "m", "s", ())})
    assert table.resolve(PatientContext("bird"))["x"].absent == "no value is given"


def test_entries_that_differ_in_what_they_name_never_conflict() -> None:
    day, source = datetime.date(2026, 1, 1), Source("x", Confidence.MEMORY)
    bare = LimitEntry(1.0, None, Where(), day, source)
    banded = LimitEntry(2.0, None, Where(mass_kg=(0.0, 1.0)), day, source)
    assert not bare.conflicts_with(banded)
    assert bare.conflicts_with(bare)
