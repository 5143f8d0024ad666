"""What is said about a finding."""

from __future__ import annotations

import datetime

import pytest
from worlds import FLAG, World, rule_of, rule_set_of

from rules.engine import build_engine
from rules.limits import Confidence, ResolvedLimit, Source
from rules.model import Comparison, Condition, Group, LimitRef, Op, Unknown, Value
from rules.rationale import display, explain, margin_words, render
from rules.wording import duration

pytestmark = pytest.mark.usefixtures("flag_fact")

HIGH = ResolvedLimit(
    "etco2_high",
    55.0,
    "mm[Hg]",
    source=Source("a paper", Confidence.PUBLISHED),
    since=datetime.date(2026, 11, 25),
)
NONE = ResolvedLimit("etco2_high", None, "mm[Hg]", absent="trend only")
ABOVE = Comparison("etco2", Op.ABOVE, LimitRef("etco2_high"))


@pytest.mark.parametrize(
    ("value", "fact", "words"),
    [
        (41.2, "etco2", "41 mmHg"),
        (11.42, "paw.pip", "11.4 cmH2O"),
        (0.418, "breath.ti", "0.42 s"),
        (0.62, "ti.ratio_to_baseline", "0.62"),
        (32.4, "breath.rr", "32/min"),
        (36.55, "temperature", "36.5 °C"),
        (97.0, "spo2", "97 %"),
        (8.26, "volume.per_kg", "8.3 mL/kg"),
        (0.4, "patient.mass", "0.40 kg"),
        (-0.01, "paw.baseline", "0.0 cmH2O"),
        ("controlled", "settings.mode", "controlled"),
        (True, FLAG.name, "yes"),
        (False, FLAG.name, "no"),
    ],
)
def test_values_read_as_at_the_bedside(value: float | str, fact: str, words: str) -> None:
    assert display(value, fact) == words


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0, "0 s"), (11.999, "11 s"), (12, "12 s"), (119, "119 s"), (180, "3 min"), (239, "3 min"),
     (7199, "119 min"), (7200, "2 h"), (-3, "0 s"), (0.29999999999 * 10, "3 s")],
)  # fmt: skip
def test_times_are_never_overstated(seconds: float, words: str) -> None:
    assert duration(seconds) == words


def _render(template: str, held_s: float = 12.0, **changes: object) -> str:
    given = {"facts": {"etco2": 61.3}, "limits": {"etco2_high": HIGH}, "unknown": {}, **changes}
    return render(template, held_s=held_s, **given)  # type: ignore[arg-type]  # named by key


def test_every_field_of_a_template() -> None:
    template = "For {held} CO2 was {etco2}; limit { limit  etco2_high } ({source etco2_high})."
    assert _render(template) == "For 12 s CO2 was 61 mmHg; limit 55 mmHg (published)."


@pytest.mark.parametrize(
    ("confidence", "words"),
    [
        (Confidence.PUBLISHED, "published"),
        (Confidence.COMMON_PRACTICE, "common practice"),
        (Confidence.MEMORY, "from memory"),
    ],
)
def test_the_confidence_of_a_source_in_words(confidence: Confidence, words: str) -> None:
    limit = ResolvedLimit("etco2_high", 55.0, "mm[Hg]", source=Source("x", confidence))
    assert _render("{source etco2_high}", limits={"etco2_high": limit}) == words


def test_what_is_unknown_says_why() -> None:
    assert _render("{spo2}", unknown={"spo2": "sensor off"}) == "unknown (sensor off)"
    assert _render("{spo2}") == "unknown"
    assert _render("{spo2}", facts={"spo2": 140.0}) == "unknown (outside 0 to 100 %)"
    assert _render("{limit etco2_high}", limits={"etco2_high": NONE}) == "no limit (trend only)"
    assert _render("{limit etco2_high}", limits={}) == "no limit"
    assert _render("{source etco2_high}", limits={}) == "no source"


def test_a_value_is_never_shown_as_its_limit_when_they_differ() -> None:
    template = "{etco2} above {limit etco2_high}"
    assert _render(template, facts={"etco2": 55.3}) == "55.3 mmHg above 55 mmHg"
    assert _render(template, facts={"etco2": 55.004}) == "55.004 mmHg above 55 mmHg"
    assert _render(template, facts={"etco2": 55.0}) == "55 mmHg above 55 mmHg"
    assert _render("{etco2}", facts={"etco2": 55.3}) == "55 mmHg"


def _texts(condition: Condition, **changes: object) -> list[str]:
    given = {"facts": {"etco2": 61.3}, "limits": {"etco2_high": HIGH}, "unknown": {}, **changes}
    return [clause.text for clause in explain(condition, **given)]  # type: ignore[arg-type]  # named by key


def test_a_clause_that_holds() -> None:
    [clause] = explain(ABOVE, {"etco2": 61.3}, {"etco2_high": HIGH}, {})
    assert clause.text == (
        "end-tidal CO2 of the last breath is 61 mmHg: above 55 mmHg (limit etco2_high)"
    )
    assert (clause.fact, clause.value, clause.unit, clause.op) == ("etco2", 61.3, "mm[Hg]", "above")
    assert (clause.operand_value, clause.operand_name) == (55.0, "etco2_high")
    assert clause.holds is True
    assert clause.margin == pytest.approx(6.3)


def test_a_clause_that_falls_short() -> None:
    [clause] = explain(ABOVE, {"etco2": 50.0}, {"etco2_high": HIGH}, {})
    assert "is 50 mmHg: not above 55 mmHg" in clause.text
    assert (clause.holds, clause.margin) == (False, -5.0)
    low = Comparison("etco2", Op.BELOW, LimitRef("etco2_high", -3.0))
    [clause] = explain(low, {"etco2": 50.0}, {"etco2_high": HIGH}, {})
    assert clause.text.endswith("below 52 mmHg (limit etco2_high less 3 mmHg)")
    assert (clause.holds, clause.margin, clause.operand_value) == (True, 2.0, 52.0)


@pytest.mark.parametrize(
    ("fact", "value", "limit", "words"),
    [
        ("spo2", 98.5, 95.0, "is 98 %: not below 95 %, 3 %"),
        ("spo2", 98.51, 95.0, "is 99 %: not below 95 %, 4 %"),
        ("spo2", 95.2, 95.0, "is 95.2 %: not below 95.0 %, 0.2 %"),
        ("spo2", 95.0, 95.0, "is 95 %: not below 95 %, 0 %"),
        ("spo2", 93.4, 95.25, "is 93 %: below 95.25 %, 2.25 %"),
        ("ti.ratio_to_baseline", 0.444, 0.9, "is 0.44: below 0.90, 0.46"),
    ],
)
def test_a_margin_agrees_with_what_it_lies_between(
    fact: str, value: float, limit: float, words: str
) -> None:
    [clause] = explain(Comparison(fact, Op.BELOW, Value(limit)), {fact: value}, {}, {})
    assert f"{clause.text}, {margin_words(clause)}".endswith(words)


def test_what_has_no_margin_says_none() -> None:
    mode = Comparison("settings.mode", Op.IS, Value("controlled"))
    for condition in (ABOVE, mode, Unknown("spo2")):
        [clause] = explain(condition, {"settings.mode": "standby"}, {}, {})
        assert margin_words(clause) == ""


def test_a_clause_on_something_unknown() -> None:
    [clause] = explain(ABOVE, {}, {"etco2_high": HIGH}, {"etco2": "sensor off"})
    assert clause.text.endswith(
        "is unknown (sensor off), to be compared with 55 mmHg (limit etco2_high)"
    )
    assert (clause.value, clause.holds, clause.margin) == (None, None, None)
    [clause] = explain(ABOVE, {"etco2": 61.3}, {"etco2_high": NONE}, {})
    assert clause.text.endswith("is 61 mmHg: no limit (trend only)")
    assert (clause.operand_value, clause.holds, clause.margin) == (None, None, None)


def test_labels_and_unknowns() -> None:
    mode = Comparison("settings.mode", Op.IS, Value("controlled"))
    facts = {"settings.mode": "standby", "spo2": 97.0}
    assert _texts(mode, facts=facts) == [
        "confirmed mode of the ventilator is standby, not controlled"
    ]
    assert _texts(Unknown("spo2"), facts=facts) == ["pulse oximeter saturation is known (97 %)"]
    [clause] = explain(Unknown("spo2"), {}, {}, {"spo2": "sensor off"})
    assert clause.text == "pulse oximeter saturation is unknown (sensor off)"
    assert (clause.op, clause.holds) == ("unknown", True)


def test_inside_none_a_clause_is_turned_round() -> None:
    mains = Comparison("power.supply", Op.IS, Value("mains"))
    condition = Group("all", (ABOVE, Group("none", (mains, ABOVE, Unknown("spo2")))))
    facts = {"etco2": 50.0, "power.supply": "battery"}
    clauses = explain(condition, facts, {"etco2_high": HIGH}, {})
    assert [(c.fact, c.op, c.holds, c.margin) for c in clauses] == [
        ("etco2", "above", False, -5.0),
        ("power.supply", "is_not", True, None),
        ("etco2", "at_most", True, 5.0),
        ("spo2", "known", False, None),
    ]


def test_a_constant_keeps_the_digits_its_author_gave() -> None:
    short = Comparison("breath.since", Op.BELOW, Value(0.5))
    assert _texts(short, facts={"breath.since": 0.4})[0].endswith("is 0.4 s: below 0.5 s")
    assert _texts(short, facts={"breath.since": 3.0})[0].endswith("is 3 s: not below 0.5 s")
    assert _texts(short, facts={"breath.since": 0.2})[0].endswith("is 0.2 s: below 0.5 s")


def test_a_clause_holds_exactly_when_the_engine_says_so() -> None:
    world = World(11)
    for _ in range(400):
        leaf = world.condition(0, 1)
        facts, limits = world.snapshot(), world.limits()
        [clause] = explain(leaf, facts, limits, {})  # type: ignore[arg-type]  # facts of any kind
        engine = build_engine(rule_set_of([rule_of("r", leaf)]), "plain")
        holds = "r/when" in engine.evaluate(facts, limits)  # type: ignore[arg-type]  # facts of any kind
        assert (clause.holds is True) == holds
        if clause.margin is not None and abs(clause.margin) > 1e-6:
            assert (clause.margin > 0) == holds
