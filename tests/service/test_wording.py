"""What an advisory says beside its rule's own texts."""

from __future__ import annotations

import pytest
from service_bench import library_rules

from adapters.rule_files import DEFAULT_RULES, load_rules
from rules.limits import PatientContext
from rules.model import RuleSet
from service.advisories import Advisory, Moment
from service.bedside import Bedside
from service.facts import FactSet
from service.wording import write_advisory

KITTEN = PatientContext("mammal", "cat", 0.6, "maintenance")


@pytest.fixture(scope="module")
def rules() -> RuleSet:
    return library_rules()


def _advisory(
    rules: RuleSet,
    rule: str,
    values: dict[str, float | str],
    context: PatientContext = KITTEN,
) -> Advisory:
    facts = FactSet(dict(values), {"etco2": "never received", "step.over_baseline": "not read"})
    moment = Moment(20_000, "Skerry", facts, rules.limits.resolve(context), frozenset())
    return write_advisory(Bedside("w", "p"), rules.rule(rule), moment, 12_000, "id")


def test_what_would_clear_it_is_said_without_the_value_of_now(rules: RuleSet) -> None:
    advisory = _advisory(rules, "etco2-high", {"etco2.min_30s": 58.0})
    assert advisory.clears_when == "end-tidal CO2 of the last breath below 52 mmHg, for 10 s"


def test_conditions_that_must_all_hold_are_joined(rules: RuleSet) -> None:
    advisory = _advisory(rules, "disconnected", {"breath.overdue": 2.5, "paw.max_5s": 0.2})
    assert advisory.clears_when == (
        "time watched since the last inflation began over the usual time between two below 1.5 and "
        "highest airway pressure in the last 10 s above 4.0 cmH2O, for 4 s"
    )


def test_a_limit_without_a_value_is_named(rules: RuleSet) -> None:
    tortoise = PatientContext("reptile", "tortoise", 1.2, "maintenance")
    advisory = _advisory(rules, "etco2-high", {"etco2.min_30s": 58.0}, tortoise)
    assert "below limit etco2_high" in advisory.clears_when


def test_doubts_are_owned_up_to(rules: RuleSet) -> None:
    facts: dict[str, float | str] = {
        "ti.ratio_to_baseline": 0.6,
        "paw.pip_over_target": 0.1,
        "breath.overdue": 0.3,
    }
    doubts = " / ".join(_advisory(rules, "volume-falling-silently", facts).uncertainty)
    assert "Limit ti_ratio_low is common practice; approve it locally" in doubts
    assert "Not known: change of the pressure step at the start of the inflation" in doubts


def test_how_long_it_has_held_is_counted_from_the_onset(rules: RuleSet) -> None:
    advisory = _advisory(rules, "spo2-low", {"spo2": 92.0, "pulse_rate": 180.0})
    assert advisory.because.startswith("For 8 s saturation was under 95 %")


def test_only_clauses_that_held_are_evidence(rules: RuleSet) -> None:
    advisory = _advisory(rules, "no-breath-seen", {"breathing.since": 33.0})
    assert {evidence.fact for evidence in advisory.evidence} == {"breathing.since", "settings.mode"}
    assert all(
        evidence.value is not None or "unknown" in evidence.clause for evidence in advisory.evidence
    )


@pytest.fixture(scope="module")
def rules_in_use() -> RuleSet:
    return load_rules(DEFAULT_RULES).rule_set


def test_what_to_look_at_names_the_value_it_is_about(rules_in_use: RuleSet) -> None:
    values = {"etco2": 51.0, "etco2.slope": 7.2, "ti.ratio_to_baseline": 0.45}
    advisory = _advisory(rules_in_use, "etco2-climbing", values)
    assert advisory.look_at[0] == "Has each breath become smaller? Inspiratory time 0.45 of usual."


def test_no_text_of_any_rule_shows_a_name_in_braces(rules_in_use: RuleSet) -> None:
    for rule in rules_in_use.rules:
        advisory = _advisory(rules_in_use, rule.id, {})
        for text in (advisory.says, advisory.because, *advisory.look_at, advisory.caution):
            assert "{" not in text, (rule.id, text)
