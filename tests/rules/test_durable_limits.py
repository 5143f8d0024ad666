"""How much durable-rules takes, what happens beyond that, and that it gives memory back."""

from __future__ import annotations

import gc
import sys

import pytest
from own_memory import own_bytes
from worlds import World, rule_of, rule_set_of

from rules.engine import EngineError, build_engine
from rules.engine import extension as extension_module
from rules.engine.durable import DurableEngine
from rules.engine.plain import PlainEngine
from rules.limits import ResolvedLimit
from rules.model import Comparison, Group, LimitRef, Op, RuleSet, Value

pytestmark = pytest.mark.usefixtures("durable", "flag_fact")

TOO_HIGH = Comparison("etco2", Op.ABOVE, Value(55.0))


def test_the_rule_set_is_deleted_with_its_engine() -> None:
    engine = DurableEngine(rule_set_of([rule_of("r", TOO_HIGH)]))
    (part,) = engine._when
    handle = part._handle
    del engine, part
    gc.collect()
    extension = extension_module._extension
    with pytest.raises(extension.error):
        extension.assert_fact(handle, '{"sid":"0","id":"s"}')


def test_names_of_properties_have_hashes_of_their_own() -> None:
    """The extension knows a property by the 32-bit FNV-1a hash of its name alone."""
    assert _fnv1a("id") == 926444256  # the constant in its source
    names = [f"p{i}" for i in range(255)] + [f"g{i}" for i in range(24)]
    names += ["sid", "id", "$s", "$m", "$forward", "$and", "$or", "$nex"]
    assert len({_fnv1a(name) for name in names}) == len(names)


def _fnv1a(name: str) -> int:
    value = 0x811C9DC5
    for byte in name.encode():
        value = ((value ^ byte) * 16777619) % 2**32
    return value


def _huge(rules: int) -> RuleSet:
    comparisons = [Comparison("etco2", Op.ABOVE, Value(i / 100)) for i in range(rules)]
    return rule_set_of(rule_of(f"r{i}", one) for i, one in enumerate(comparisons))


def test_a_rule_set_too_large_for_durable_rules_runs_on_the_plain_engine() -> None:
    with pytest.raises(EngineError, match="too many conditions"):
        build_engine(_huge(4200), "durable")
    engine = build_engine(_huge(4200), "auto")
    assert engine.name == "plain"
    assert "r300/when" in engine.evaluate({"etco2": 3.5}, {})


def test_one_too_large_for_one_engine_is_shared_out_among_several() -> None:
    engine = DurableEngine(_huge(1200))
    assert len(engine._when) > 1
    for following in (None, ["r2", "r800"]):
        told = engine.evaluate({"etco2": 3.5}, {}, following)
        assert told == PlainEngine(_huge(1200)).evaluate({"etco2": 3.5}, {}, following)


def _against_limits(count: int) -> list[Comparison]:
    return [Comparison("etco2", Op.ABOVE, LimitRef(f"l{i}")) for i in range(count)]


@pytest.mark.parametrize("count", [*range(225, 252), 500])
def test_too_many_properties_for_one_are_shared_out_too(count: int) -> None:
    """Just below the bound of one, at it and beyond it every snapshot is answered."""
    rules = rule_set_of(rule_of(f"r{i}", one) for i, one in enumerate(_against_limits(count)))
    engine = build_engine(rules, "auto")
    assert isinstance(engine, DurableEngine)
    assert (len(engine._when) > 1) == (count > 244)
    limits = {f"l{i}": ResolvedLimit(f"l{i}", float(i), "mm[Hg]") for i in range(count)}
    told = engine.evaluate({"etco2": 100.5}, limits)
    begun = {f"r{i}/when" for i in range(101)}
    assert told == begun | {f"r{i}/clears" for i in range(101, count)}


def test_too_many_properties_of_one_rule_are_refused() -> None:
    all_at_once = Group("all", tuple(_against_limits(260)))
    rules = rule_set_of([rule_of("r", all_at_once, clears=TOO_HIGH)])
    with pytest.raises(EngineError, match="too many facts and limits"):
        DurableEngine(rules)
    assert build_engine(rules, "auto").name == "plain"


def test_auto_takes_durable_rules_and_a_rule_set_may_be_empty() -> None:
    engine = build_engine(rule_set_of([]))
    assert engine.name == "durable-rules 2.0.28"
    assert engine.evaluate({"etco2": 60.0}, {}) == frozenset()


def test_auto_does_without_durable_rules(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(extension_module, "_extension", None)
    rules = rule_set_of([rule_of("r", TOO_HIGH)])
    assert build_engine(rules).name == "plain"
    with pytest.raises(EngineError, match="cannot be used"):
        build_engine(rules, "durable")


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc")
def test_memory_does_not_grow() -> None:
    world = World(3)
    engine = DurableEngine(world.rule_set(10, 2, 2))
    moments = [(world.snapshot(), world.limits()) for _ in range(100)]

    def run(times: int) -> int:
        for _ in range(times):
            for facts, limits in moments:
                engine.evaluate(facts, limits)  # type: ignore[arg-type]  # facts of any kind
        return own_bytes()

    before = run(50)
    assert run(500) - before < 1_000_000
