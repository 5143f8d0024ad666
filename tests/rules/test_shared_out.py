"""A rule set too large for one rule set of durable-rules says the same in several of them."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
from oracle import expected, followed
from worlds import World, rule_of, rule_set_of

from rules.engine import extension as extension_module
from rules.engine.durable import DurableEngine
from rules.model import Comparison, Op, Value

pytestmark = pytest.mark.usefixtures("durable", "flag_fact")


@pytest.mark.parametrize(("gates", "parts"), [(24, 1), (5, 1), (1, 2)])
def test_the_parts_together_say_what_the_whole_says(
    gates: int, parts: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(extension_module, "_MAX_GATES", gates)
    world = World(31)
    rule_set = world.rule_set(30)
    engine = DurableEngine(rule_set)
    assert len(engine._when) == parts
    for _ in range(300):
        facts, limits = world.snapshot(), world.limits()
        wanted = expected(rule_set, facts, limits)
        for following in (world.some_of(rule_set), [], ["r0"], ["unheard-of"]):
            told = engine.evaluate(facts, limits, following)  # type: ignore[arg-type]  # facts of any kind
            assert told == followed(wanted, following)
        assert engine.evaluate(facts, limits) == wanted  # type: ignore[arg-type]  # facts of any kind


def test_what_nobody_follows_is_not_even_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    low = Comparison("spo2", Op.BELOW, Value(90.0))
    engine = DurableEngine(rule_set_of([rule_of("one", low), rule_of("two", low)]))
    extension = extension_module._extension
    asked: list[str] = []
    counting = SimpleNamespace(**vars(extension))
    counting.assert_fact = lambda handle, message: (
        asked.append(message) or extension.assert_fact(handle, message)
    )
    monkeypatch.setattr(extension_module, "_extension", counting)
    assert engine.evaluate({"spo2": 95.0}, {}, []) == frozenset()
    assert len(asked) == 1
    assert engine.evaluate({"spo2": 95.0}, {}, ["two"]) == {"two/clears"}
    assert len(asked) == 3
