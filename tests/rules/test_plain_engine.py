"""The plain engine and what both engines share: keys, scope, defaults, the guard."""

from __future__ import annotations

import math
from typing import Any

import pytest
from worlds import FLAG, rule_of, rule_set_of

from rules.conditions import MAX_GROUPS, MAX_WAYS, millionths
from rules.engine import EngineError, build_engine, clean
from rules.engine.guard import vet
from rules.limits import ResolvedLimit
from rules.model import Comparison, Condition, Group, LimitRef, Op, Unknown, Value
from rules.vocabulary import CATALOGUE, Kind

pytestmark = pytest.mark.usefixtures("flag_fact")

HIGH = Comparison("etco2", Op.ABOVE, Value(55.0))
MAINS = Comparison("power.supply", Op.IS, Value("mains"))


def _answer(*rules: Any, facts: dict[str, Any], limits: Any = None) -> frozenset[str]:
    return build_engine(rule_set_of(rules), "plain").evaluate(facts, limits or {})


def _holds(condition: Condition, facts: dict[str, Any], limits: Any = None) -> bool:
    return "r/when" in _answer(rule_of("r", condition), facts=facts, limits=limits)


# Strong Kleene truth tables (Kleene 1952, Introduction to Metamathematics, section 64), written
# with etco2 > 55 for one operand and the supply for the other; None is unknown.
@pytest.mark.parametrize(
    ("etco2", "supply", "both", "either", "neither"),
    [
        (60.0, "mains", True, True, False),
        (60.0, "battery", False, True, False),
        (60.0, None, False, True, False),
        (50.0, "mains", False, True, False),
        (50.0, "battery", False, False, True),
        (50.0, None, False, False, False),
        (None, "mains", False, True, False),
        (None, "battery", False, False, False),
        (None, None, False, False, False),
    ],
)
def test_groups_follow_strong_kleene_logic(
    etco2: float | None, supply: str | None, both: bool, either: bool, neither: bool
) -> None:
    given = {"etco2": etco2, "power.supply": supply}
    facts = {name: value for name, value in given.items() if value is not None}
    for kind, holds in (("all", both), ("any", either), ("none", neither)):
        assert _holds(Group(kind, (HIGH, MAINS)), facts) is holds  # type: ignore[arg-type]  # each is a kind


@pytest.mark.parametrize("op", list(Op))
def test_a_comparison_on_an_unknown_fact_holds_neither_way(op: Op) -> None:
    if op in (Op.IS, Op.IS_NOT):
        one = Comparison("power.supply", op, Value("mains"))
    else:
        one = Comparison("etco2", op, Value(55.0))
    assert not _holds(one, {})
    assert not _holds(Group("none", (one,)), {})
    assert not _holds(Group("none", (Group("none", (one,)),)), {})


@pytest.mark.parametrize(
    ("op", "below", "equal", "above"),
    [
        (Op.ABOVE, False, False, True),
        (Op.AT_LEAST, False, True, True),
        (Op.BELOW, True, False, False),
        (Op.AT_MOST, True, True, False),
    ],
)
def test_orderings_at_the_threshold(op: Op, below: bool, equal: bool, above: bool) -> None:
    one = Comparison("etco2", op, Value(55.0))
    for value, holds in ((54.999999, below), (55.0, equal), (55.000001, above)):
        assert _holds(one, {"etco2": value}) is holds
        assert _holds(Group("none", (one,)), {"etco2": value}) is not holds


def test_conversion_noise_does_not_decide() -> None:
    one = Comparison("etco2", Op.AT_LEAST, Value(55.0))
    assert _holds(one, {"etco2": 55.0 - 1e-9})
    assert not _holds(one, {"etco2": 55.0 - 1e-6})


def test_unknown_is_true_or_false() -> None:
    assert _holds(Unknown("spo2"), {})
    assert not _holds(Unknown("spo2"), {"spo2": 98.0})
    assert not _holds(Group("none", (Unknown("spo2"),)), {})
    assert _holds(Group("none", (Unknown("spo2"),)), {"spo2": 98.0})


def test_a_limit_is_compared_in_the_unit_of_the_fact() -> None:
    """1 kPa is 7.501 mmHg (definition of the units)."""
    one = Comparison("etco2", Op.ABOVE, LimitRef("high"))
    limits = {"high": ResolvedLimit("high", 7.0, "kPa")}
    assert not _holds(one, {"etco2": 52.5}, limits)
    assert _holds(one, {"etco2": 52.51}, limits)


def test_the_offset_of_a_limit_is_in_the_unit_of_the_fact() -> None:
    one = Comparison("etco2", Op.BELOW, LimitRef("high", -3.0))
    limits = {"high": ResolvedLimit("high", 55.0, "mm[Hg]")}
    assert _holds(one, {"etco2": 51.9}, limits)
    assert not _holds(one, {"etco2": 52.0}, limits)


def test_a_limit_that_is_not_finite_counts_as_absent() -> None:
    one = Comparison("etco2", Op.BELOW, LimitRef("high"))
    for value in (math.inf, math.nan, None):
        assert not _holds(one, {"etco2": 1.0}, {"high": ResolvedLimit("high", value, "mm[Hg]")})


def test_scope_is_part_of_when_but_not_of_clears() -> None:
    low = Comparison("etco2", Op.BELOW, Value(50.0))
    rule = rule_of("r", HIGH, low, {"mode": ("controlled", "spontaneous")})
    high = {"etco2": 60.0}
    assert _answer(rule, facts={**high, "settings.mode": "controlled"}) == {
        "r/when",
        "r/in_scope",
    }
    assert _answer(rule, facts={**high, "settings.mode": "standby"}) == frozenset()
    assert _answer(rule, facts=high) == {"r/in_scope"}
    assert _answer(rule, facts={"etco2": 40.0, "settings.mode": "standby"}) == {"r/clears"}


def test_every_label_that_the_scope_names_must_fit_or_be_unknown() -> None:
    rule = rule_of("r", HIGH, None, {"mode": ("controlled",), "class": ("bird",)})
    facts = {"settings.mode": "controlled", "patient.class": "mammal"}
    assert "r/in_scope" not in _answer(rule, facts=facts)
    assert "r/in_scope" in _answer(rule, facts={"settings.mode": "controlled"})


def test_without_clears_a_rule_clears_only_when_its_when_is_known_not_to_hold() -> None:
    rule = rule_of("r", HIGH, None, {"mode": ("controlled",)})
    assert "r/clears" not in _answer(rule, facts={"etco2": 60.0, "settings.mode": "standby"})
    assert "r/clears" in _answer(rule, facts={"etco2": 50.0, "settings.mode": "controlled"})
    assert "r/clears" not in _answer(rule, facts={"settings.mode": "controlled"})
    assert "r/in_scope" not in _answer(rule_of("r", HIGH), facts={"etco2": 60.0})


def test_conditions_that_are_too_large_are_refused() -> None:
    parts = tuple(Comparison("etco2", Op.ABOVE, Value(float(i))) for i in range(MAX_WAYS + 1))
    assert build_engine(rule_set_of([rule_of("r", Group("any", parts[1:]))]), "plain")
    with pytest.raises(EngineError, match="rule r: it can come true in 33 ways"):
        build_engine(rule_set_of([rule_of("r", Group("any", parts))]), "plain")
    deep: Condition = HIGH
    for i in range(MAX_GROUPS + 1):
        deep = Group("any" if i % 2 else "all", (deep, MAINS))
    with pytest.raises(EngineError, match="nested"):
        build_engine(rule_set_of([rule_of("r", deep)]), "plain")


def test_a_fact_outside_the_catalogue_is_refused() -> None:
    with pytest.raises(EngineError, match="not a fact"):
        build_engine(rule_set_of([rule_of("r", Unknown("etco3"))]), "plain")


@pytest.mark.parametrize(
    ("fact", "value", "reason"),
    [
        ("etco3", 40.0, "not a fact of the catalogue"),
        ("etco2", math.inf, "not finite"),
        ("etco2", -math.inf, "not finite"),
        ("etco2", math.nan, "not finite"),
        ("etco2", 200.1, "outside 0 to 200 mm[Hg]"),
        ("etco2", -0.1, "outside 0 to 200 mm[Hg]"),
        ("etco2", 10**400, "outside 0 to 200 mm[Hg]"),
        ("etco2", True, "not a number"),
        ("etco2", "40", "not a number"),
        ("etco2", None, "not a number"),
        ("settings.mode", "automatic", "not one of controlled, spontaneous, standby"),
        ("settings.mode", 1, "not a label"),
        ("patient.species", "", "not a label"),
        (FLAG.name, 1, "not true or false"),
        (FLAG.name, "true", "not true or false"),
    ],
)
def test_the_guard_drops_with_a_reason(fact: str, value: object, reason: str) -> None:
    assert clean({fact: value, "spo2": 97}) == ({"spo2": 97.0}, {fact: reason})


def test_the_guard_keeps_what_is_usable() -> None:
    facts = {"etco2": 41, "patient.species": "Igel", FLAG.name: False, "spo2": 100.0}
    kept, dropped = clean(facts)
    assert kept == facts
    assert dropped == {}
    assert type(kept["etco2"]) is float


@pytest.mark.parametrize(
    "part",
    [
        {"$nex": {"p1": 1}},
        {"$ex": {"p1": 1}},
        {"$mt": {"p1": "a*"}},
        {"$iall": {"p1": {"p2": 1}}},
        {"p1": "text"},
        {"p1": 1.5},
        {"p1": True},
        {"p1": None},
        {"$gt": {"p1": {"$add": {"$l": 1, "$r": 2}}}},
        {"$gt": {"p1": {"m": "p2"}}},
        {"$gt": {"p1": 1, "p2": 2}},
        {"$gt": 5},
        {"$or": []},
        {"$and": {"p1": 1}},
        {"$and": [{"p1": 1}, {"$nex": {"p1": 1}}]},
        {"sid": 1},
        {"p1": 1, "p2": 2},
        ["p1"],
    ],
    ids=str,
)
def test_definitions_with_anything_else_are_refused(part: object) -> None:
    with pytest.raises(EngineError):
        vet(part)


def test_known_definitions_pass() -> None:
    vet({"$and": [{"g0": 1}, {"$or": [{"$gte": {"p1": -5}}, {"$lt": {"p2": {"$m": "p3"}}}]}]})


def test_every_fact_fits_the_precision() -> None:
    """Facts reach neither the bound of `millionths` nor a gap between neighbouring floats."""
    for fact in CATALOGUE.values():
        if fact.kind is Kind.NUMBER:
            assert max(abs(fact.low), abs(fact.high)) <= 1e9
    assert millionths(1e9) - millionths(1e9 - 1e-6) == 1
    assert millionths(1e300) == -millionths(-1e300) == 2 * 10**15
