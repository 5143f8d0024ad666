"""A yes of `implies` is certain: held against the plain evaluator on random conditions."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from worlds import World, rule_set_of

from rules.engine.plain import PlainEngine
from rules.implication import implies
from rules.model import Comparison, Condition, Group, LimitRef, Op, Unknown, Value


def _above(number: float, fact: str = "etco2") -> Comparison:
    return Comparison(fact, Op.ABOVE, Value(number))


NARROWER: list[tuple[Condition | None, Condition | None]] = [
    (_above(60.0), _above(55.0)),
    (Comparison("etco2", Op.AT_MOST, Value(20.0)), Comparison("etco2", Op.BELOW, Value(21.0))),
    (_above(55.0), Comparison("etco2", Op.AT_LEAST, Value(55.0))),
    (
        Comparison("etco2", Op.ABOVE, LimitRef("high", 2.0)),
        Comparison("etco2", Op.ABOVE, LimitRef("high")),
    ),
    (Group("all", (_above(55.0), _above(90.0, "spo2"))), _above(55.0)),
    (_above(55.0), Group("any", (_above(55.0), Unknown("spo2")))),
    (_above(60.0), Group("none", (Comparison("etco2", Op.BELOW, Value(50.0)),))),
    (_above(60.0), Group("none", (Unknown("etco2"),))),
    (
        Comparison("settings.mode", Op.IS, Value("controlled")),
        Comparison("settings.mode", Op.IS_NOT, Value("standby")),
    ),
    (_above(55.0), None),
]


@pytest.mark.parametrize(("narrow", "wide"), NARROWER)
def test_the_narrower_implies_the_wider_and_not_the_other_way(
    narrow: Condition | None, wide: Condition | None
) -> None:
    assert implies(narrow, wide)
    assert not implies(wide, narrow)
    assert implies(narrow, narrow)


def test_limits_of_other_names_imply_nothing() -> None:
    one = Comparison("etco2", Op.ABOVE, LimitRef("high", 2.0))
    assert not implies(one, Comparison("etco2", Op.ABOVE, LimitRef("very_high")))
    assert not implies(one, _above(1.0))


@pytest.mark.usefixtures("flag_fact")
def test_a_yes_is_never_wrong_on_random_conditions() -> None:
    """2,000 pairs, each on 20 snapshots; some pairs are made so that a yes is likely."""
    said, held = 0, 0
    for seed in range(2000):
        world = World(seed)
        rules = world.rule_set(2, depth=2, width=2).rules
        one, other = rules[0].when, rules[1].when
        if seed % 2:
            other = Group(random.Random(seed).choice(["any", "all"]), (one, other))
        if not implies(one, other):
            continue
        said += 1
        # The scope of a rule is part of what an engine tells of it; here only `when` counts.
        pair = [
            replace(rules[0], id="one", when=one, only_in={}),
            replace(rules[0], id="other", when=other, only_in={}),
        ]
        engine = PlainEngine(rule_set_of(pair))
        for _ in range(20):
            keys = engine.evaluate(world.snapshot(), world.limits())
            if "one/when" in keys:
                held += 1
                assert "other/when" in keys, (one, other)
    assert said > 500
    assert held > 500
