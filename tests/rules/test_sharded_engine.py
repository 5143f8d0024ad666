"""A rule set too large for one durable-rules engine says the same in several of them."""

from __future__ import annotations

import pytest
from oracle import expected
from worlds import World

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
