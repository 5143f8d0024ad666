"""A rule set is read as written."""

from __future__ import annotations

import datetime

import pytest
from texts import ABOUT, FILES, LIMITS, RULES

from rules.limits import Confidence, PatientContext, Source
from rules.loading import RuleSetError, load_rule_set
from rules.model import Comparison, Group, LimitRef, Op, Rule, Unknown, Value
from rules.priority import Harm, Onset, Priority
from rules.units import convert


def _rule(text: str) -> Rule:
    """The second rule of the set, with its `when` replaced by `text`."""
    rules = RULES.replace("{fact: spo2, below: 90 %}", text)
    assert rules != RULES
    return load_rule_set({**FILES, "co2.yaml": rules}).rule("spo2-low")


def test_every_key_of_a_rule() -> None:
    rule = load_rule_set(FILES).rule("etco2-high")
    assert rule.title == "CO2 is high"
    assert rule.only_in == {"mode": ("controlled", "spontaneous"), "phase": ("maintenance",)}
    assert rule.when == Group(
        "all",
        (
            Comparison("etco2.min_30s", Op.ABOVE, LimitRef("etco2_high")),
            Comparison("breath.since", Op.BELOW, Value(20.0)),
            Group(
                "any",
                (
                    Comparison("settings.mode", Op.IS, Value("controlled")),
                    Comparison("battery.charge", Op.AT_MOST, Value(20.0)),
                ),
            ),
            Group("none", (Comparison("power.supply", Op.IS, Value("mains")),)),
            Unknown("spo2"),
        ),
    )
    assert rule.clears == Group(
        "any", (Comparison("etco2", Op.BELOW, LimitRef("etco2_high", -3.0)),)
    )
    assert (rule.for_s, rule.clears_for_s) == (10.0, 30.0)
    assert (rule.harm, rule.onset, rule.priority) == (Harm.DEATH, Onset.PROMPT, Priority.HIGH)
    assert rule.cause == "hypoventilation"
    assert rule.outranks == ("spo2-low",)
    assert rule.says == "CO2 is {etco2}, above {limit etco2_high}."
    assert rule.look_at == ("the circuit", "the tube")
    assert rule.source == Source("a paper", Confidence.PUBLISHED)
    assert rule.caution == "capnograms of very small animals read low"
    assert rule.facts() == {
        "etco2.min_30s", "breath.since", "settings.mode", "battery.charge", "power.supply",
        "spo2", "etco2", "patient.phase",
    }  # fmt: skip
    assert rule.limit_names() == {"etco2_high"}


def test_what_may_be_left_out() -> None:
    rule = load_rule_set(FILES).rule("spo2-low")
    assert rule.when == Comparison("spo2", Op.BELOW, Value(90.0))
    assert rule.clears is None
    assert (rule.for_s, rule.clears_for_s, rule.only_in) == (0.0, 0.0, {})
    assert (rule.outranks, rule.look_at, rule.caution) == ((), (), "")
    assert rule.limit_names() == frozenset()


def test_the_rule_set_itself() -> None:
    rule_set = load_rule_set({**FILES, "README.md": "not a rule file"})
    assert (rule_set.name, rule_set.version) == ("test-set", "0.1.0")
    assert (rule_set.title, rule_set.caution) == ("A rule set for tests", "for tests only")
    assert rule_set.parent is None
    assert [rule.id for rule in rule_set.rules] == ["etco2-high", "spo2-low"]
    with pytest.raises(KeyError):
        rule_set.rule("etco2")


def test_rules_come_in_the_order_of_file_names() -> None:
    rule, rest = RULES.split("  - id: spo2-low")
    files = {**FILES, "z.yaml": rule, "a.yaml": f"rules:\n  - id: spo2-low{rest}"}
    del files["co2.yaml"]
    assert [rule.id for rule in load_rule_set(files).rules] == ["spo2-low", "etco2-high"]


def test_limits() -> None:
    table = load_rule_set(FILES).limits
    mammal = table.resolve(PatientContext(class_="mammal"))["etco2_high"]
    assert (mammal.value, mammal.unit, mammal.where) == (55.0, "mm[Hg]", "mammals")
    assert mammal.since == datetime.date(2026, 11, 25)
    assert mammal.source == Source("a paper", Confidence.PUBLISHED)
    reptile = table.resolve(PatientContext(class_="reptile"))["etco2_high"]
    assert reptile.value is None
    assert reptile.absent == "trend only, because of the cardiac shunt"
    assert table.limits["te_short"].meaning.startswith("expiratory time")


def test_a_rule_set_without_limits() -> None:
    rules = "rules:\n  - id: spo2-low" + RULES.split("  - id: spo2-low")[1]
    assert load_rule_set({"rule-set.yaml": ABOUT, "a.yaml": rules}).limits.limits == {}


@pytest.mark.parametrize(
    ("text", "fact", "op", "value"),
    [
        # 1 kPa = 7.501 mmHg, 1 cmH2O = 0.7356 mmHg (definitions of the units).
        ("{fact: etco2, above: 7 kPa}", "etco2", Op.ABOVE, convert(7, "kPa", "mm[Hg]")),
        ('{fact: etco2, above: "7 cm[H2O]"}', "etco2", Op.ABOVE, convert(7, "cm[H2O]", "mm[Hg]")),
        ("{fact: breath.since, at_least: 1 min}", "breath.since", Op.AT_LEAST, 60.0),
        ("{fact: breath.ti, at_most: 400 ms}", "breath.ti", Op.AT_MOST, 0.4),
        ("{fact: temperature, below: 36.5 Cel}", "temperature", Op.BELOW, 36.5),
        ('{fact: temperature, below: "98.6 [degF]"}', "temperature", Op.BELOW, 37.0),
        ("{fact: ti.ratio_to_baseline, below: 0.7}", "ti.ratio_to_baseline", Op.BELOW, 0.7),
        ("{fact: ti.ratio_to_baseline, below: 70 %}", "ti.ratio_to_baseline", Op.BELOW, 0.7),
        ("{fact: breath.count_60s, above: 3}", "breath.count_60s", Op.ABOVE, 3.0),
        ("{fact: data.clock_skew, below: -2.5e1 s}", "data.clock_skew", Op.BELOW, -25.0),
        ("{fact: spo2, below: 90%}", "spo2", Op.BELOW, 90.0),
    ],
)
def test_operands_are_converted_to_the_unit_of_the_fact(
    text: str, fact: str, op: Op, value: float
) -> None:
    when = _rule(text).when
    assert isinstance(when, Comparison)
    assert (when.fact, when.op) == (fact, op)
    assert isinstance(when.operand, Value)
    assert when.operand.value == pytest.approx(value, rel=1e-9)


def test_labels() -> None:
    assert _rule("{fact: patient.species, is_not: hedgehog}").when == Comparison(
        "patient.species", Op.IS_NOT, Value("hedgehog")
    )


def test_an_offset_is_a_difference_even_on_a_scale_with_an_offset() -> None:
    """A difference of 1.8 degrees Fahrenheit is one of 1 degree Celsius (definition)."""
    limits = LIMITS + (
        "  cold:\n    meaning: cold\n    unit: Cel\n    values:\n"
        "      - {value: 36, since: 2026-11-25, source: {ref: x, confidence: memory}}\n"
    )
    rules = RULES.replace(
        "{fact: spo2, below: 90 %}", '{fact: temperature, below: limit cold, plus: "1.8 [degF]"}'
    )
    when = load_rule_set({**FILES, "limits.yaml": limits, "co2.yaml": rules}).rules[1].when
    assert isinstance(when, Comparison)
    assert isinstance(when.operand, LimitRef)
    assert when.operand.offset == pytest.approx(1.0, rel=1e-9)


def test_a_circle_is_not_seen_where_two_rules_outrank_one() -> None:
    third = RULES.split("  - id: spo2-low")[1]
    more = f"  - id: third{third}    outranks: [spo2-low]\n"
    rules = RULES.replace("outranks: [spo2-low]", "outranks: [spo2-low, third]") + more
    assert len(load_rule_set({**FILES, "co2.yaml": rules}).rules) == 3


def test_all_problems_are_listed_at_once_in_order() -> None:
    files = {
        "rule-set.yaml": ABOUT.replace("0.1.0", "1.0"),
        "limits.yaml": LIMITS.replace("unit: ms", "unit: msec"),
        "co2.yaml": RULES.replace("etco2.min_30s, above", "etco2.min_20s, above").replace(
            "onset: immediate", "onset: soon"
        ),
    }
    with pytest.raises(RuleSetError) as caught:
        load_rule_set(files)
    places = [(problem.file, problem.line) for problem in caught.value.problems]
    assert places == [
        ("co2.yaml", 7),
        ("co2.yaml", 33),
        ("limits.yaml", 16),
        ("rule-set.yaml", 2),
    ]
    lines = str(caught.value).splitlines()
    assert lines[0].startswith('co2.yaml:7:18: "etco2.min_20s" is not a fact')
    assert len(lines) == 4
