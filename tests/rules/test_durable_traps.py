"""What durable-rules does wrong, and that the engine built on it does not.

The behaviour of the extension is as read in the source of durable-rules 2.0.28 and as observed.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest
from oracle import expected
from worlds import FLAG, WRONG, World, rule_of, rule_set_of

from rules.engine import EngineError
from rules.engine import extension as extension_module
from rules.engine.durable import DurableEngine
from rules.engine.extension import Part
from rules.limits import ResolvedLimit
from rules.model import Comparison, Escalation, Group, LimitRef, Op, Unknown, Value
from rules.priority import Harm, Onset

pytestmark = pytest.mark.usefixtures("durable", "flag_fact")

TOO_HIGH = Comparison("etco2", Op.ABOVE, Value(55.0))


def _extension() -> Any:
    return extension_module._extension


def _left_behind(engine: DurableEngine) -> list[Any]:
    told = (_extension().get_facts(part._handle, "0") for part in _parts(engine))
    facts = (fact for text in told for fact in json.loads(text or "[]"))
    return [fact for fact in facts if not fact["id"].startswith("sid-")]


def _parts(engine: DurableEngine) -> list[Part]:
    return [*engine._when, *engine._others]


def known(fact: str) -> Group:
    return Group("none", (Unknown(fact),))


def _when_keys(engine: DurableEngine, facts: dict[str, Any]) -> set[str]:
    return {key for key in engine.evaluate(facts, {}) if key.endswith("/when")}


def test_all_of_several_matching_rules_are_reported() -> None:
    rules = [rule_of(f"r{i}", Comparison("etco2", Op.ABOVE, Value(float(i)))) for i in range(20)]
    engine = DurableEngine(rule_set_of(rules))
    assert _when_keys(engine, {"etco2": 15.5}) == {f"r{i}/when" for i in range(16)}


def test_more_matches_than_the_extension_has_branches() -> None:
    """Ungated, the 65th open branch makes the extension refuse the snapshot (error 303)."""
    rules = [rule_of(f"r{i}", Comparison("etco2", Op.ABOVE, Value(i / 10))) for i in range(300)]
    engine = DurableEngine(rule_set_of(rules))
    assert len(_when_keys(engine, {"etco2": 100.0})) == 300


def test_wide_conditions_do_not_exceed_the_branches_together() -> None:
    def wide(i: int) -> Group:
        parts = [Comparison("spo2", Op.BELOW, Value(90.0 + i + j / 100)) for j in range(4)]
        others = [Comparison("etco2", Op.ABOVE, Value(20.0 + i + j / 100)) for j in range(8)]
        return Group("all", (Group("any", tuple(parts)), Group("any", tuple(others))))

    engine = DurableEngine(rule_set_of(rule_of(f"r{i}", wide(i)) for i in range(10)))
    assert len(_when_keys(engine, {"spo2": 50.0, "etco2": 100.0})) == 10


def test_an_absent_limit_does_not_repeat_the_answer_before() -> None:
    """Compared with a missing property, the extension answers as for the comparison before."""
    against_limit = Comparison("spo2", Op.ABOVE, LimitRef("spo2_low"))
    rules = [rule_of("holds", TOO_HIGH), rule_of("unknown", against_limit)]
    engine = DurableEngine(rule_set_of(rules))
    absent = ResolvedLimit("spo2_low", None, "%", absent="no value is given")
    for limits in ({}, {"spo2_low": absent}):
        for _ in range(3):
            answer = engine.evaluate({"etco2": 60.0, "spo2": 99.0}, limits)
            assert answer == {"holds/when"}


@pytest.mark.parametrize("op", [Op.ABOVE, Op.AT_LEAST, Op.BELOW, Op.AT_MOST])
def test_a_comparison_with_an_absent_limit_holds_neither_way(op: Op) -> None:
    one = Comparison("data.clock_skew", op, LimitRef("gone"))
    rules = [rule_of("plain", one), rule_of("negated", Group("none", (one,)))]
    engine = DurableEngine(rule_set_of(rules))
    for value in (-1e9, 0.0, 1e9):
        assert _when_keys(engine, {"data.clock_skew": value}) == set()


def test_nothing_is_left_behind() -> None:
    engine = DurableEngine(rule_set_of([rule_of("r", TOO_HIGH)]))
    for value in (60.0, 50.0, 60.0):
        engine.evaluate({"etco2": value}, {})
        assert _left_behind(engine) == []
    assert _when_keys(engine, {}) == set()


def test_unknown_facts_are_asked_for_without_the_operator_that_hangs() -> None:
    needing = replace(rule_of("needing", TOO_HIGH), needs=known("spo2"))
    engine = DurableEngine(rule_set_of([rule_of("r", Unknown("etco2")), needing]))
    assert all("$nex" not in part._definition for part in _parts(engine))
    assert _when_keys(engine, {}) == {"r/when"}
    assert _when_keys(engine, {"etco2": 60.0}) == set()
    assert _when_keys(engine, {"etco2": 60.0, "spo2": 97.0}) == {"needing/when"}


def test_needs_do_not_open_more_branches_than_the_extension_has() -> None:
    """Needs multiply the ways of a condition: counted apart, gates would let too many through."""
    four = Group("any", tuple(Comparison("spo2", Op.BELOW, Value(90.0 + i)) for i in range(4)))
    eight = Group("any", tuple(Comparison("etco2", Op.ABOVE, Value(20.0 + i)) for i in range(8)))
    rules = [replace(rule_of(f"r{i}", eight), needs=four) for i in range(12)]
    engine = DurableEngine(rule_set_of(rules))
    assert len(_when_keys(engine, {"spo2": 50.0, "etco2": 100.0})) == 12


def test_only_whole_numbers_reach_the_extension() -> None:
    """No text, exponent, fraction, infinity or true: none of their traps can be met."""
    world = World(7)
    engine = DurableEngine(world.rule_set(12, 2, 3))
    shape = re.compile(r'\{"sid":"0","id":"s"(,"[gp][0-9]{1,3}":-?[0-9]{1,16})+\}')
    for _ in range(300):
        properties = engine._program.facts(world.snapshot())  # type: ignore[arg-type]  # facts of any kind
        limits = world.limits()
        for part in _parts(engine):
            message = part._message(part._all_open, properties, limits)
            assert shape.fullmatch(message), message


@pytest.mark.parametrize("value", WRONG, ids=repr)
@pytest.mark.parametrize("fact", ["etco2", "patient.species", "settings.mode", FLAG.name])
def test_values_of_the_wrong_kind_count_as_unknown(fact: str, value: object) -> None:
    rules = [
        rule_of("missing", Unknown(fact)),
        rule_of("high", TOO_HIGH),
        rule_of("low", Group("none", (TOO_HIGH,))),
        rule_of("six", Comparison("patient.species", Op.IS, Value("6"))),
        rule_of("other", Comparison("patient.species", Op.IS_NOT, Value("hedgehog"))),
        rule_of("mode", Comparison("settings.mode", Op.IS_NOT, Value("standby"))),
        rule_of("flag", Comparison(FLAG.name, Op.IS, Value(True))),
        rule_of("no-flag", Comparison(FLAG.name, Op.IS_NOT, Value(True))),
    ]
    rules += [replace(rule, id=f"needing-{rule.id}", needs=known(fact)) for rule in rules]
    harder = Escalation(Harm.DEATH, Onset.IMMEDIATE, when=Group("none", (TOO_HIGH,)))
    rules.append(replace(rule_of("worse", Unknown("spo2")), escalate=harder))
    rule_set = rule_set_of(rules)
    wanted = expected(rule_set, {fact: value}, {})
    assert DurableEngine(rule_set).evaluate({fact: value}, {}) == wanted  # type: ignore[dict-item]  # wrong on purpose


def test_a_text_is_never_more_than_a_number() -> None:
    """The extension holds that the text '6' is above 5."""
    engine = DurableEngine(rule_set_of([rule_of("r", Comparison("etco2", Op.ABOVE, Value(5.0)))]))
    assert _when_keys(engine, {"etco2": "6"}) == set()
    assert _when_keys(engine, {"etco2": 6}) == {"r/when"}


def test_true_is_not_one() -> None:
    engine = DurableEngine(rule_set_of([rule_of("r", Comparison("fico2", Op.AT_MOST, Value(1.0)))]))
    assert _when_keys(engine, {"fico2": True}) == set()


@pytest.mark.parametrize(
    "label", ["Igel, größer", 'a","p0":9,"b":"', "{}", "\\", "\u0000", "刺猬", "x" * 500, "6"]
)
def test_labels_of_any_spelling(label: str) -> None:
    rules = [
        rule_of("same", Comparison("patient.species", Op.IS, Value(label))),
        rule_of("other", Comparison("patient.species", Op.IS_NOT, Value(label))),
    ]
    engine = DurableEngine(rule_set_of(rules))
    assert _when_keys(engine, {"patient.species": label}) == {"same/when"}
    assert _when_keys(engine, {"patient.species": label + "s"}) == {"other/when"}
    assert _when_keys(engine, {}) == set()


@pytest.mark.parametrize("value", [1e-7, 5e-324, -0.0, 0.1 + 0.2, 1e9, 123456789.123456, 1e-6])
def test_numbers_that_are_written_with_exponents_or_many_digits(value: float) -> None:
    rules = [
        rule_of(op, Comparison("data.clock_skew", Op(op), Value(value)))
        for op in ("above", "below", "at_least", "at_most")
    ]
    engine = DurableEngine(rule_set_of(rules))
    answer = _when_keys(engine, {"data.clock_skew": value})
    assert answer == {"at_least/when", "at_most/when"}


def test_an_infinity_does_not_poison_the_next_snapshot() -> None:
    engine = DurableEngine(rule_set_of([rule_of("r", TOO_HIGH)]))
    assert _when_keys(engine, {"etco2": float("inf")}) == set()
    assert _when_keys(engine, {"etco2": 60.0}) == {"r/when"}


class _Failing:
    """The extension, failing in one function for as long as `broken`."""

    def __init__(self, function: str) -> None:
        self.real, self.function, self.broken = _extension(), function, True

    def __getattr__(self, name: str) -> Any:
        if name == self.function and self.broken:
            return self._fail
        return getattr(self.real, name)

    def _fail(self, *args: Any) -> Any:
        raise RuntimeError(f"could not handle {args}")


@pytest.mark.parametrize(
    "function",
    ["assert_fact", "start_action_for_state", "complete_and_start_action", "retract_fact"],
)
def test_a_failure_says_nothing_of_the_patient_and_is_overcome(
    function: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The extension's errors hold the whole fact, and an action left open locks it for 30 s."""
    failing = _Failing(function)
    engine = DurableEngine(rule_set_of([rule_of("r", TOO_HIGH)]))
    monkeypatch.setattr(extension_module, "_extension", failing)
    with pytest.raises(EngineError) as caught:
        engine.evaluate({"etco2": 61.0}, {})
    assert "61" not in str(caught.value)
    assert caught.value.__cause__ is None
    assert caught.value.__suppress_context__
    failing.broken = False
    assert _when_keys(engine, {"etco2": 61.0}) == {"r/when"}
    assert _left_behind(engine) == []


def test_a_match_without_an_action_is_a_failure(monkeypatch: pytest.MonkeyPatch) -> None:
    """Within 30 s of the start of the epoch the extension withholds its actions in silence."""
    engine = DurableEngine(rule_set_of([rule_of("r", TOO_HIGH)]))
    silent = SimpleNamespace(**vars(_extension()))
    silent.start_action_for_state = lambda handle, state: None
    monkeypatch.setattr(extension_module, "_extension", silent)
    with pytest.raises(EngineError):
        engine.evaluate({"etco2": 61.0}, {})


def test_two_evaluations_at_once_are_refused() -> None:
    engine = DurableEngine(rule_set_of([rule_of("r", TOO_HIGH)]))

    class Nested(dict[str, float]):
        def items(self) -> Any:
            return engine.evaluate({}, {})

    with pytest.raises(EngineError, match="two threads"):
        engine.evaluate(Nested(), {})
    assert _when_keys(engine, {"etco2": 60.0}) == {"r/when"}
