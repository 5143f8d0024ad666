"""A rule set too large for one durable-rules engine says the same in several of them."""

from __future__ import annotations

from dataclasses import replace

import pytest
from oracle import expected
from worlds import World

from rules.engine import EngineError, build_engine
from rules.engine.durable import DurableEngine
from rules.engine.plain import PlainEngine
from rules.engine.sharded import ShardedEngine

pytestmark = pytest.mark.usefixtures("durable", "flag_fact")


@pytest.mark.parametrize("parts", [1, 2, 3, 5])
def test_the_parts_together_say_what_the_whole_says(parts: int) -> None:
    world = World(31)
    rule_set = world.rule_set(30)
    sharded, plain = ShardedEngine(rule_set, parts), PlainEngine(rule_set)
    for _ in range(300):
        facts, limits = world.snapshot(), world.limits()
        told = sharded.evaluate(facts, limits)  # type: ignore[arg-type]
        assert told == plain.evaluate(facts, limits)  # type: ignore[arg-type]
        assert told == expected(rule_set, facts, limits)


def test_a_rule_set_that_one_engine_refuses_is_shared_out() -> None:
    world = World(5)
    parts = [world.rule_set(60) for _ in range(6)]
    rules = tuple(
        replace(rule, id=f"s{number}-{rule.id}", outranks=())
        for number, part in enumerate(parts)
        for rule in part.rules
    )
    large = replace(parts[0], rules=rules)
    with pytest.raises(EngineError):
        DurableEngine(large)
    engine = build_engine(large)
    assert engine.name.startswith("durable-rules")
    plain = PlainEngine(large)
    for _ in range(20):
        facts, limits = world.snapshot(), world.limits()
        assert engine.evaluate(facts, limits) == plain.evaluate(facts, limits)  # type: ignore[arg-type]
