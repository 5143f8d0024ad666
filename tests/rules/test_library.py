"""The rule sets that come with Tidewarden: complete, sourced, and each rule able to speak."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from ruamel.yaml import YAML

from adapters.library_releases import library_releases
from adapters.rule_files import DEFAULT_RULES, library, load_rules
from adapters.scenario_files import scenario_files
from rules.engine import build_engine
from rules.limits import Confidence, PatientContext
from rules.model import RuleSet
from rules.priority import Priority

CASES: Mapping[str, Any] = YAML(typ="safe").load(
    Path(__file__).with_name("library_cases.yaml").read_text(encoding="utf-8")
)


@pytest.fixture(scope="module")
def rule_set() -> RuleSet:
    return load_rules("small-animal-ventilation@0.1.0").rule_set


def _name(case: Mapping[str, Any]) -> str:
    return str(case.get("rule", case.get("note")))


def _holding(
    rule_set: RuleSet, case: Mapping[str, Any], changes: Mapping[str, Any]
) -> frozenset[str]:
    """The rules whose condition holds."""
    healthy = CASES["healthy"]
    patient = {**healthy["patient"], **case.get("patient", {})}
    context = PatientContext(
        patient["class"], patient["species"], patient["mass_kg"], patient["phase"]
    )
    facts = {**healthy["facts"], **case.get("facts", {})}
    facts = {name: value for name, value in facts.items() if name not in case.get("unknown", [])}
    facts |= changes
    facts |= {
        "patient.class": patient["class"],
        "patient.species": patient["species"],
        "patient.phase": patient["phase"],
        "patient.mass": patient["mass_kg"],
    }
    keys = build_engine(rule_set).evaluate(facts, rule_set.limits.resolve(context))
    return frozenset(key.removesuffix("/when") for key in keys if key.endswith("/when"))


def test_every_rule_set_of_the_library_is_well_written() -> None:
    assert library()
    for spec in library():
        loaded = load_rules(spec).rule_set
        assert loaded.spec == spec
        assert loaded.caution


def test_a_released_version_has_not_changed() -> None:
    released = library_releases()
    assert "small-animal-ventilation@0.1.0" in {release.spec for release in released}
    for release in released:
        rule_set = load_rules(release.spec).rule_set
        assert (rule_set.name, rule_set.version) == (release.name, release.version)
        assert rule_set.sha256 == release.sha256, f"{release.spec} was released: raise its version"
        scenarios = scenario_files(release.spec).sha256
        assert scenarios == release.scenarios_sha256, f"{release.spec}: scenarios go to the next"


def test_what_is_released_is_known_by_the_hash_of_its_rules_alone() -> None:
    # As advisories and checkpoints of services in use carry it.
    assert [(one.version, one.sha256[:12]) for one in library_releases()] == [
        ("0.1.0", "ff2227bb095d"), ("1.0.0", "d30cde339557"), ("2.0.0", "07e8c586b80d"),
        ("2.1.0", "f0b4e532b87c"),
    ]  # fmt: skip


def test_what_the_service_uses_by_default_is_released() -> None:
    assert DEFAULT_RULES in {release.spec for release in library_releases()}


def test_no_rule_holds_for_a_healthy_animal(rule_set: RuleSet) -> None:
    assert _holding(rule_set, {}, {}) == frozenset()


@pytest.mark.parametrize("case", CASES["cases"], ids=_name)
def test_the_rule_holds_and_nothing_else_does(rule_set: RuleSet, case: Mapping[str, Any]) -> None:
    assert _holding(rule_set, case, {}) == {case["rule"], *case.get("also", [])}


@pytest.mark.parametrize("case", CASES["cases"], ids=_name)
def test_a_near_miss_does_not(rule_set: RuleSet, case: Mapping[str, Any]) -> None:
    assert case["rule"] not in _holding(rule_set, case, case["near_miss"])


@pytest.mark.parametrize("case", CASES["silent"], ids=_name)
def test_silent_where_it_would_be_wrong(rule_set: RuleSet, case: Mapping[str, Any]) -> None:
    assert not _holding(rule_set, case, {}) & set(case["rules"])


def test_every_rule_has_a_case(rule_set: RuleSet) -> None:
    assert {rule.id for rule in rule_set.rules} == {case["rule"] for case in CASES["cases"]}


def test_every_rule_says_what_to_look_at_and_where_it_comes_from(rule_set: RuleSet) -> None:
    assert len(rule_set.rules) >= 15
    for rule in rule_set.rules:
        assert rule.look_at, rule.id
        assert rule.source.ref, rule.id
        assert rule.because != rule.says


def test_memory_is_owned_up_to(rule_set: RuleSet) -> None:
    """A source that says it is from memory is marked so, and the other way round."""
    sources = [rule.source for rule in rule_set.rules]
    sources += [
        entry.source for limit in rule_set.limits.limits.values() for entry in limit.entries
    ]
    for source in sources:
        if "from memory" in source.ref.lower():
            assert source.confidence is Confidence.MEMORY, source.ref
        if "no source" in source.ref.lower():
            assert source.confidence is Confidence.COMMON_PRACTICE, source.ref


def test_what_kills_at_once_is_high(rule_set: RuleSet) -> None:
    # IEC 60601-1-8 Table 1 (from memory): death or irreversible injury, immediate or prompt: high.
    # ISO 80601-2-12 (from memory) asks for high priority on obstruction, disconnection, and
    # pressure that is not released.
    for rule_id in ("disconnected", "airway-blocked", "pressure-not-released", "no-breath-seen"):
        assert rule_set.rule(rule_id).priority is Priority.HIGH
