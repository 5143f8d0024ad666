"""Which of many values counts, against the order in words: the species itself, its kind, class,
mass band, phase, none; of equals the nearer rule set; of those the later."""

from __future__ import annotations

import datetime
import functools
from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from texts_full import FULL, OWN, SITE_LIMITS, built_on

from rules.limits import (
    Approval,
    Confidence,
    Limit,
    LimitEntry,
    LimitTable,
    PatientContext,
    Source,
    Where,
)
from rules.loading import load_rule_set

SOURCE = Source("made up for a test", Confidence.MEMORY)
DAY = datetime.date(2026, 1, 1)
KESTREL = PatientContext("bird", "Kestrel", 0.2, "weaning")


def _entry(value: float | None, where: Where, level: int = 0, day: int = 0) -> LimitEntry:
    approved = Approval("us", DAY, "why") if level else None
    absent = None if value is not None else "nobody knows"
    since = DAY + datetime.timedelta(days=day)
    return LimitEntry(value, absent, where, since, SOURCE, approved, level)


def _chosen(entries: list[LimitEntry], patient: PatientContext) -> float | None:
    return LimitTable({"x": Limit("x", "m", "s", tuple(entries))}).resolve(patient)["x"].value


LADDER = (
    Where(),
    Where(phase="weaning"),
    Where(mass_kg=(0.1, 0.5)),
    Where(class_="bird", phase="weaning"),
    Where(species="raptor"),
    Where(species="raptor", class_="bird", mass_kg=(0.1, 0.5), phase="weaning"),
    Where(species="kestrel"),
)


@pytest.mark.parametrize("count", range(1, len(LADDER) + 1))
def test_a_value_for_the_kind_serves_but_that_for_the_species_goes_before_it(count: int) -> None:
    """However much stands beside the kind, the species itself is closer."""
    entries = [_entry(float(rung), where) for rung, where in enumerate(LADDER[:count])]
    assert _chosen(entries, KESTREL) == count - 1
    assert _chosen(entries[::-1], KESTREL) == count - 1


def test_another_kind_and_another_species_do_not_serve() -> None:
    entries = [_entry(1.0, Where(species="parrot")), _entry(2.0, Where(species="buzzard"))]
    assert _chosen(entries, KESTREL) is None


def test_a_value_for_a_member_does_not_serve_the_kind() -> None:
    """A limit for kestrels says nothing of a patient that is only known to be a raptor."""
    raptor = PatientContext("bird", "raptor", 0.2, None)
    assert _chosen([_entry(1.0, Where(species="kestrel"))], raptor) is None
    assert _chosen([_entry(1.0, Where(species="raptor"))], raptor) == 1.0


_WHERES = st.builds(
    Where,
    species=st.sampled_from((None, "kestrel", "raptor", "parrot", "Kestrel")),
    class_=st.sampled_from((None, "bird", "mammal")),
    mass_kg=st.sampled_from((None, (0.0, 0.2), (0.2, 1.0), (0.1, 0.5))),
    phase=st.sampled_from((None, "weaning", "induction")),
)
_ENTRIES = st.lists(
    st.tuples(_WHERES, st.integers(0, 2), st.integers(0, 3)),
    max_size=12,
    unique_by=lambda one: (one[0], one[1], one[2]),
)
_PATIENTS = st.builds(
    PatientContext,
    class_=st.sampled_from((None, "bird", "mammal")),
    species=st.sampled_from((None, "kestrel", " KESTREL ", "raptor", "rabbit", "unheard-of")),
    mass_kg=st.sampled_from((None, 0.1, 0.2, 0.5)),
    phase=st.sampled_from((None, "weaning", "induction")),
)


def _meant(where: Where, patient: PatientContext) -> bool:
    """The words of the guide, one after another."""
    name = (patient.species or "").strip().lower()
    kinds = {"kestrel": "raptor"}
    if patient.class_ is None:
        return where.species is where.class_ is where.mass_kg is where.phase is None
    if where.species is not None and where.species.lower() not in (name, kinds.get(name)):
        return False
    if where.class_ not in (None, patient.class_) or where.phase not in (None, patient.phase):
        return False
    if where.mass_kg is None:
        return True
    mass = patient.mass_kg
    return mass is not None and mass >= where.mass_kg[0] and mass < where.mass_kg[1]


def _closer(one: Any, other: Any, name: str) -> int:
    """Negative when `one` goes first; each question decides only if none before it did."""
    questions = (
        lambda e: (e[0].species or "").lower() == name,
        lambda e: e[0].species is not None,
        lambda e: e[0].class_ is not None,
        lambda e: e[0].mass_kg is not None,
        lambda e: e[0].phase is not None,
        lambda e: e[1],
        lambda e: e[2],
    )
    for question in questions:
        if question(one) != question(other):
            return -1 if question(one) > question(other) else 1
    return 0


@given(found=_ENTRIES, patient=_PATIENTS)
def test_any_values_for_any_patient(found: list[Any], patient: PatientContext) -> None:
    entries = [_entry(float(i), *one) for i, one in enumerate(found)]
    name = (patient.species or "").strip().lower()
    fitting = [one for one in found if _meant(one[0], patient)]
    order = functools.cmp_to_key(lambda one, other: _closer(one, other, name))
    best = min(fitting, key=order, default=None)
    chosen = _chosen(entries, patient)
    if best is None:
        assert chosen is None
    else:
        assert chosen is not None
        assert _closer(found[int(chosen)], best, name) == 0


@pytest.mark.parametrize(
    ("parent", "own", "counts"),
    [
        # Equally specific: the site's own, whatever its day.
        ("value: 55, where: {class: mammal}, since: 2027-01-01",
         "value: 50, where: {class: mammal}, since: 2026-01-01", 50.0),
        # More specific in the parent: the site's general value does not reach it.
        ("value: 55, where: {species: rat}, since: 2026-01-01",
         "value: 50, where: {class: mammal}, since: 2027-01-01", 55.0),
        ("absent: no number can be defended, where: {species: rat}, since: 2026-01-01",
         "value: 50, where: {class: mammal}, since: 2027-01-01", None),
        # Equally specific to a value that the parent withholds: the site may give one.
        ("absent: no number can be defended, where: {class: mammal}, since: 2026-01-01",
         "value: 50, where: {class: mammal}, since: 2026-01-01", 50.0),
        # And may withhold one.
        ("value: 55, where: {class: mammal}, since: 2026-01-01",
         "absent: not in our house, where: {class: mammal}, since: 2026-01-01", None),
    ],
)  # fmt: skip
def test_a_site_and_its_parent(parent: str, own: str, counts: float | None) -> None:
    source = "source: {ref: x, confidence: memory}"
    signed = "approved: {by: us, on: 2026-12-01, why: we act earlier}"
    texts: Mapping[str, str] = FULL
    head = FULL["limits.yaml"].partition("      - value: 55")
    tail = "  te_short:" + FULL["limits.yaml"].partition("  te_short:")[2]
    limits = f"{head[0]}      - {{{parent}, {source}}}\n{tail}"
    site = SITE_LIMITS.partition("      - value")[0] + f"      - {{{own}, {source}, {signed}}}\n"
    rule_set = load_rule_set(
        built_on({**texts, "limits.yaml": limits}, {**OWN, "limits.yaml": site})
    )
    rat = rule_set.limits.resolve(PatientContext("mammal", "rat"))["etco2_high"]
    assert rat.value == counts
    assert (rat.absent is None) == (counts is not None)
