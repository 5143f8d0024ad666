"""A site's own rule set: what it takes over from its parent, and what it may change."""

from __future__ import annotations

import datetime
import re

import pytest
from mistakes import Mistake, problems, reported
from texts import ABOUT, FILES
from texts_full import FULL, OWN, SITE, SITE_ABOUT, SITE_LIMITS, SITE_PARAMETERS, built_on

from rules.limits import Approval, PatientContext
from rules.loading import load_rule_set
from rules.model import Comparison, Op, Value

MAMMAL = PatientContext("mammal")
SIGNED = datetime.date(2026, 12, 1)


def test_its_name_is_its_own_and_the_rest_comes_from_the_parent() -> None:
    site = load_rule_set(SITE)
    assert (site.name, site.version, site.parent) == ("our-house", "1.0.0", "test-set@0.1.0")
    assert [rule.id for rule in site.rules] == ["spo2-very-low", "etco2-high"]
    assert set(site.causes) == {"tube-kinked", "mask-leaks", "hypoventilation"}
    assert set(site.limits.limits) == {"etco2_high", "te_short"}
    assert set(site.parameters) == {"settle", "gap", "share"}


def test_a_rule_is_left_out_with_who_approved_it() -> None:
    site = load_rule_set(SITE)
    why = Approval("head of anaesthesia", SIGNED, "the monitor has its own")
    assert site.without == {"spo2-low": why}
    # What outranked the rule that is gone stays as it was.
    assert site.rule("etco2-high").outranks == ("spo2-low",)


def test_a_limit_of_its_own_stands_before_that_of_the_parent() -> None:
    limits = load_rule_set(SITE).limits
    own = limits.resolve(MAMMAL)["etco2_high"]
    assert own.value == 50.0
    assert own.approved == Approval("head of anaesthesia", SIGNED, "we act earlier")
    assert [entry.value for entry in limits.candidates("etco2_high", MAMMAL)] == [50.0, 55.0]
    assert limits.resolve(PatientContext("reptile"))["etco2_high"].value is None
    assert load_rule_set(FULL).limits.resolve(MAMMAL)["etco2_high"].value == 55.0


def test_a_parameter_set_anew_reaches_rules_texts_and_signs_of_the_parent() -> None:
    own = "  share:\n    value: 60 %\n    approved: {by: us, on: 2026-12-01, why: we looked}\n"
    site = load_rule_set({**SITE, "parameters.yaml": SITE_PARAMETERS + own})
    rule = site.rule("etco2-high")
    assert rule.for_s == 60.0
    assert rule.needs is not None
    assert Comparison("breath.since", Op.BELOW, Value(60.0)) in rule.needs.members  # type: ignore[union-attr]  # it is a group
    assert rule.because == "Judged after 60 s; it is over 3 mmHg below the limit."
    assert site.rule("spo2-very-low").for_s == 60.0
    sign = site.causes["tube-kinked"].fits[0]
    assert sign.when == Comparison("ti.ratio_to_baseline", Op.BELOW, Value(0.6))
    assert sign.says.endswith("under 0.6")
    settle = site.parameters["settle"]
    assert settle.approved == Approval("head of anaesthesia", SIGNED, "our animals settle slowly")
    assert (settle.low, settle.high) == (10.0, 120.0)


def test_causes_of_its_own_stand_beside_or_before_those_of_the_parent() -> None:
    own = "causes:\n  mask-leaks: {title: Ours, look: Our look}\n  bitten: {title: t, look: l}\n"
    site = load_rule_set({**SITE, "causes.yaml": own})
    assert site.causes["mask-leaks"].look == "Our look"
    assert {"bitten", "tube-kinked"} <= site.causes.keys()


def test_causes_of_its_own_are_not_asked_of_a_parent_that_describes_none() -> None:
    about = SITE_ABOUT.partition("without")[0]
    own = {"rule-set.yaml": about, "causes.yaml": "causes:\n  x: {title: t, look: l}\n"}
    site = load_rule_set(built_on(FILES, own))
    assert site.rule("spo2-low").cause == "hypoxaemia"


def test_a_rule_may_be_left_out_and_written_anew() -> None:
    own = {**OWN, "ours.yaml": OWN["ours.yaml"].replace("spo2-very-low", "spo2-low")}
    assert load_rule_set(built_on(FULL, own)).rule("spo2-low").title == "Saturation is very low"
    kept = {**own, "rule-set.yaml": SITE_ABOUT.partition("without")[0]}
    [(file, *_, message)] = problems(built_on(FULL, kept))
    assert file == "parent/co2.yaml"
    assert 'rule id "spo2-low" is already used at ours.yaml:2' in message


# Three generations: a set, a house that builds on it, a ward that builds on the house.
_WARD_ABOUT = """\
name: our-ward
version: 1.0.0
title: t
summary: s
caution: c
parent: our-house@1.0.0
"""
_WARD = {"rule-set.yaml": _WARD_ABOUT}


def test_a_ward_takes_over_what_its_house_changed() -> None:
    house, ward = load_rule_set(SITE), load_rule_set(built_on(SITE, _WARD))
    assert ward.rules == house.rules
    assert ward.limits == house.limits
    assert (ward.parameters, ward.causes) == (house.parameters, house.causes)
    assert (ward.parent, ward.without) == ("our-house@1.0.0", {})


@pytest.mark.parametrize("since", ["2026-06-01", "2026-12-01", "2027-01-01"])
def test_the_nearer_value_of_a_limit_goes_first_whatever_its_day(since: str) -> None:
    limits = SITE_LIMITS.replace("value: 50", "value: 45").replace("2026-12-01", since)
    ward = load_rule_set(built_on(SITE, {**_WARD, "limits.yaml": limits}))
    values = [entry.value for entry in ward.limits.candidates("etco2_high", MAMMAL)]
    assert values == [45.0, 50.0, 55.0]
    assert ward.limits.resolve(MAMMAL)["etco2_high"].value == 45.0


def test_a_parameter_is_set_anew_twice_within_the_bounds_of_the_first() -> None:
    own = SITE_PARAMETERS.replace("1 min", "15 s")
    ward = load_rule_set(built_on(SITE, {**_WARD, "parameters.yaml": own}))
    assert ward.rule("etco2-high").for_s == 15.0
    assert load_rule_set(SITE).rule("etco2-high").for_s == 60.0


def test_a_rule_that_the_house_left_out_and_wrote_anew_is_there_once() -> None:
    own = {**OWN, "ours.yaml": OWN["ours.yaml"].replace("spo2-very-low", "spo2-low")}
    ward = load_rule_set(built_on(built_on(FULL, own), _WARD))
    assert [rule.title for rule in ward.rules if rule.id == "spo2-low"] == [
        "Saturation is very low"
    ]
    without = (
        "without:\n  - {rule: spo2-low, approved: {by: us, on: 2026-12-02, why: enough of it}}\n"
    )
    about = {"rule-set.yaml": _WARD_ABOUT + without}
    gone = load_rule_set(built_on(built_on(FULL, own), about))
    assert [rule.id for rule in gone.rules] == ["etco2-high"]


def _in(file: str, right: str, wrong: str, at: str, *words: str) -> Mistake:
    return Mistake(file, right, wrong, at, words)


_APPROVED = (
    "    approved: {by: head of anaesthesia, on: 2026-12-01, why: our animals settle slowly}\n"
)
_VALUE_APPROVED = (
    "        approved: {by: head of anaesthesia, on: 2026-12-01, why: we act earlier}\n"
)
MISTAKES = [
    _in("rule-set.yaml", "parent: test-set@0.1.0", "parent: test-set@0.2.0", "test-set@0.2.0",
        "the parent is said to be test-set@0.2.0, its files are test-set@0.1.0"),
    _in("rule-set.yaml", "  - rule: spo2-low", "  - rule: spo2-lw", "spo2-lw",
        '"spo2-lw" is not a rule of the parent', 'did you mean "spo2-low"?'),
    _in("rule-set.yaml", SITE_ABOUT.splitlines(keepends=True)[-1], "",
        "rule: spo2-low", "a rule to leave out lacks approved"),
    _in("rule-set.yaml", "on: 2026-12-01, ", "", "{by", '"approved" lacks on'),
    _in("rule-set.yaml", "on: 2026-12-01", "on: soon", "soon", "expected a day such as"),
    _in("rule-set.yaml", "why: the monitor has its own", "why: ", "why",
        "a reason as text, found nothing"),
    _in("limits.yaml", "  etco2_high:\n", "  etco2_hgh:\n", "etco2_hgh",
        '"etco2_hgh" is not a limit of the parent', 'did you mean "etco2_high"?'),
    _in("limits.yaml", _VALUE_APPROVED, "", "value: 50", 'a site\'s own value needs "approved"'),
    _in("limits.yaml", "    values:\n", "    unit: kPa\n    values:\n", "kPa",
        "the parent gives etco2_high in mm[Hg]: keep that"),
    _in("limits.yaml", "    values:\n", "    meaning: ours\n    values:\n", "meaning",
        '"meaning" is not a key of a limit of the parent'),
    _in("limits.yaml", "value: 50", "value: 50 mm[Hg]", "50 mm", "a number without a unit"),
    _in("parameters.yaml", "  settle:\n", "  setle:\n", "setle",
        '"setle" is not a parameter of the parent', 'did you mean "settle"?'),
    _in("parameters.yaml", "value: 1 min", "value: 3 min", "3 min",
        '"3 min" is outside what the parent allows for settle (10 to 120 s)'),
    _in("parameters.yaml", "value: 1 min", "value: 1 kPa", "1 kPa",
        "'kPa' cannot be converted to 's'"),
    _in("parameters.yaml", "value: 1 min", "value: 20", "20\n", '"20" lacks its unit'),
    _in("parameters.yaml", _APPROVED, "", "value: 1 min",
        "a parameter of the parent lacks approved"),
    _in("parameters.yaml", _APPROVED, _APPROVED + "    between: 1 s to 2 s\n", "between",
        '"between" is not a key of a parameter of the parent'),
    _in("ours.yaml", "cause: mask-leaks", "cause: mask-leak", "mask-leak\n",
        '"mask-leak" is not a cause', 'did you mean "mask-leaks"?'),
    _in("ours.yaml", "for: parameter settle", "for: parameter setle", "parameter setle",
        '"setle" is not a parameter', 'did you mean "settle"?'),
]  # fmt: skip


@pytest.mark.parametrize("mistake", MISTAKES, ids=lambda m: f"{m.file} {m.wrong.strip()[:40]}")
def test_mistakes(mistake: Mistake) -> None:
    reported(mistake, SITE)


def test_the_files_of_the_parent_are_missing() -> None:
    """Told once, at its name; what names things of it is not told again."""
    line = SITE_ABOUT[: SITE_ABOUT.index("parent:")].count("\n") + 1
    message = "the files of the parent test-set@0.1.0 are not here"
    assert problems(OWN) == [("rule-set.yaml", line, 9, message)]


def test_a_mistake_of_the_parent_is_told_at_its_place_and_only_there() -> None:
    broken = {**FULL, "limits.yaml": FULL["limits.yaml"].replace("unit: mm[Hg]", "unit: mmHg")}
    found = problems(built_on(broken, OWN))
    assert [problem[:2] for problem in found] == [("parent/limits.yaml", 4)]
    nested = problems(built_on(built_on(broken, OWN), _WARD))
    assert [problem[:2] for problem in nested] == [("parent/parent/limits.yaml", 4)]


def test_mistakes_of_parent_and_site_are_told_together() -> None:
    broken = {**FULL, "limits.yaml": FULL["limits.yaml"].replace("unit: mm[Hg]", "unit: mmHg")}
    own = {**OWN, "ours.yaml": OWN["ours.yaml"].replace("onset: immediate", "onset: soon")}
    assert {p[0] for p in problems(built_on(broken, own))} == {"parent/limits.yaml", "ours.yaml"}


def test_a_flawed_description_of_the_site_is_told_alone() -> None:
    about = SITE_ABOUT.replace("caution: approved for our house only\n", "")
    assert [p[3] for p in problems({**SITE, "rule-set.yaml": about})] == [
        "rule-set.yaml lacks caution"
    ]


def test_without_needs_a_parent() -> None:
    about = SITE_ABOUT.replace("parent: test-set@0.1.0\n", "")
    found = problems({**FULL, "rule-set.yaml": about})
    assert [p[3] for p in found] == ['"without" leaves out rules of a parent: name the parent']


def test_a_value_that_rules_of_the_parent_cannot_use_is_told_where_they_use_it() -> None:
    limits = SITE_LIMITS.replace("value: 50", "value: 5000")
    found = problems({**SITE, "limits.yaml": limits})
    assert {p[0] for p in found} == {"parent/co2.yaml", "parent/causes.yaml"}
    assert all("limit etco2_high, 5000 mm[Hg], is outside" in p[3] for p in found)


def test_the_hash_counts_what_was_taken_over() -> None:
    """Another parent under the same name is another rule set."""
    changed = {**FULL, "co2.yaml": FULL["co2.yaml"].replace("85 %", "84 %")}
    assert load_rule_set(built_on(changed, OWN)).sha256 != load_rule_set(SITE).sha256
    assert re.fullmatch("[0-9a-f]{64}", load_rule_set(SITE).sha256)


def test_a_site_may_change_nothing_at_all() -> None:
    about = ABOUT.replace("test-set", "ours") + "parent: test-set@0.1.0\n"
    site, parent = load_rule_set(built_on(FULL, {"rule-set.yaml": about})), load_rule_set(FULL)
    assert (site.rules, site.limits, site.causes) == (parent.rules, parent.limits, parent.causes)
