"""Which limits stand as lines beside what was measured."""

from __future__ import annotations

import json

import pytest

from adapters.rule_files import DEFAULT_RULES, load_rules
from rules.limits import PatientContext
from rules.model import RuleSet
from service.cases.limit_lines import LimitLine, limit_lines
from service.cases.stays import Lying
from service.messages import Patient, parse


@pytest.fixture(scope="module")
def rules() -> RuleSet:
    return load_rules(DEFAULT_RULES).rule_set


def _lying(species: str, class_: str, mass_kg: float | None, phase: str = "maintenance") -> Lying:
    body = {"schema": 1, "device": "m", "epoch": "e", "seq": 1, "at": "2026-11-25T13:00:00.000Z",
            "patient": "A", "species": species, "class": class_, "phase": phase}  # fmt: skip
    if mass_kg is not None:
        body["mass"] = {"value": mass_kg, "unit": "kg"}
    message = parse("patient", json.dumps(body).encode())
    assert isinstance(message, Patient)
    return Lying(message, 0, 1000)


def _by_name(lines: list[LimitLine]) -> dict[str, LimitLine]:
    return {line.name: line for line in lines}


def test_what_a_rule_holds_a_value_itself_against_is_a_line(rules: RuleSet) -> None:
    lines = _by_name(limit_lines(rules, [_lying("rabbit", "mammal", 1.8)], 0))
    table = rules.limits.resolve(PatientContext("mammal", "rabbit", 1.8, "maintenance"))
    sides = {"etco2_high": "above", "spo2_low": "below", "spo2_very_low": "below",
             "rate_high": "above", "rate_low": "below", "pip_ceiling": "above",
             "temperature_low": "below"}  # fmt: skip
    assert sides.items() <= {name: line.side for name, line in lines.items()}.items()
    for name in sides:
        assert lines[name].value == table[name].value


def test_what_several_values_decide_together_is_none(rules: RuleSet) -> None:
    lines = _by_name(limit_lines(rules, [_lying("rabbit", "mammal", 1.8)], 0))
    # CO2 that is nearly high counts only while it climbs; a driving pressure is no peak pressure.
    assert not {"etco2_nearly_high", "etco2_rise_rate", "driving_high"} & lines.keys()
    # It says from where on ventilation has to be looked at, not the patient's own breathing.
    assert "own_rate_high" not in lines


def test_in_weaning_that_of_trouble_counts_not_that_of_being_ready(rules: RuleSet) -> None:
    lines = _by_name(limit_lines(rules, [_lying("cat", "mammal", 0.6, "weaning")], 0))
    assert lines["own_rate_high"].side == "above"
    assert lines["etco2_high"].side == "above"
    assert lines["spo2_low"].side == "below"


def test_a_limit_per_kg_is_a_line_in_ml_where_the_mass_is_known(rules: RuleSet) -> None:
    table = rules.limits.resolve(PatientContext("mammal", "rabbit", 1.8, "maintenance"))
    per_kg = table["volume_low"].value
    assert per_kg is not None
    lines = _by_name(limit_lines(rules, [_lying("rabbit", "mammal", 1.8)], 0))
    assert lines["volume_low"].value == pytest.approx(1.8 * per_kg)
    assert lines["volume_low"].side == "below"
    assert "volume_low" not in _by_name(limit_lines(rules, [_lying("rabbit", "mammal", None)], 0))


def test_there_is_no_line_where_a_patient_has_no_such_limit(rules: RuleSet) -> None:
    lines = limit_lines(rules, [_lying("tortoise", "reptile", 1.2)], 0)
    assert not [line for line in lines if line.name.startswith("spo2")]


def test_each_phase_has_its_own(rules: RuleSet) -> None:
    first, then = _lying("cat", "mammal", 0.6), _lying("cat", "mammal", 0.6, "weaning")
    lying = [Lying(first.patient, 0, 500), Lying(then.patient, 500, 1000)]
    high = [line for line in limit_lines(rules, lying, 200) if line.name == "etco2_high"]
    assert [(line.from_ms, line.to_ms) for line in high] == [(200, 500), (500, 1000)]
    assert high[0].value < high[1].value
