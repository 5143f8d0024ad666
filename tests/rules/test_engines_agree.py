"""Both engines give the answers of the oracle, for any rule set and any snapshot."""

from __future__ import annotations

import collections
import itertools
import random
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from oracle import expected, followed
from worlds import World, narrow, rule_of, rule_set_of

from rules.engine import EngineError, build_engine
from rules.limits import PatientContext, ResolvedLimit
from rules.loading import load_rule_set
from rules.model import Comparison, Group, Op, RuleSet, Value
from rules.vocabulary import CATALOGUE, CLASSES, Kind

pytestmark = pytest.mark.usefixtures("flag_fact")

seeds = st.integers(min_value=0, max_value=2**48)
shapes = st.tuples(st.integers(1, 8), st.integers(1, 4), st.integers(1, 3))
EXAMPLES = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))


def _differences(rule_set: RuleSet, world: World, choice: str, snapshots: int) -> list[object]:
    engine = build_engine(rule_set, choice)  # type: ignore[arg-type]  # each is a choice
    found: list[object] = []
    for _ in range(snapshots):
        facts, limits = world.snapshot(), world.limits()
        answer = engine.evaluate(facts, limits)  # type: ignore[arg-type]  # facts of any kind
        if answer != (wanted := expected(rule_set, facts, limits)):
            found.append((facts, limits, sorted(answer ^ wanted)))
        some = world.some_of(rule_set)
        answer = engine.evaluate(facts, limits, some)  # type: ignore[arg-type]  # facts of any kind
        if answer != (wanted := followed(wanted, some)):
            found.append((facts, limits, some, sorted(answer ^ wanted)))
    return found


def _check(seed: int, shape: tuple[int, int, int], choice: str) -> None:
    world = World(seed)
    rules, depth, width = shape
    rule_set = world.rule_set(rules, depth, width)
    if all(narrow(rule) for rule in rule_set.rules):
        assert _differences(rule_set, world, choice, 12) == []
    else:
        with pytest.raises(EngineError, match="more than"):
            build_engine(rule_set, choice)  # type: ignore[arg-type]  # each is a choice


@EXAMPLES
@given(seed=seeds, shape=shapes)
def test_plain_agrees_with_the_oracle(seed: int, shape: tuple[int, int, int]) -> None:
    _check(seed, shape, "plain")


@pytest.mark.usefixtures("durable")
@EXAMPLES
@given(seed=seeds, shape=shapes)
def test_durable_agrees_with_the_oracle(seed: int, shape: tuple[int, int, int]) -> None:
    _check(seed, shape, "durable")


@dataclass(frozen=True)
class Sweep:
    """Sixty rules, and the right answer for each of many moments."""

    rule_set: RuleSet
    moments: list[tuple[dict[str, object], dict[str, ResolvedLimit], frozenset[str]]]


@pytest.fixture(scope="module")
def sweep(flag_fact: None) -> Sweep:
    world = World(20261125)
    narrow_ones = (rule for rule in world.rule_set(300, 3, 3).rules if narrow(rule))
    rule_set = rule_set_of(itertools.islice(narrow_ones, 60))
    pairs = [(world.snapshot(), world.limits()) for _ in range(5000)]
    return Sweep(rule_set, [(*pair, expected(rule_set, *pair)) for pair in pairs])


def _sweep_differences(sweep: Sweep, choice: str) -> list[object]:
    engine = build_engine(sweep.rule_set, choice)  # type: ignore[arg-type]  # each is a choice
    return [
        (facts, limits)
        for facts, limits, answer in sweep.moments
        if engine.evaluate(facts, limits) != answer  # type: ignore[arg-type]  # facts of any kind
    ]


def test_the_sweep_is_worth_running(sweep: Sweep) -> None:
    """Every condition holds in some moments and fails in others, but for a few constant ones."""
    assert len(sweep.rule_set.rules) == 60
    counts = collections.Counter(key for _, _, answer in sweep.moments for key in answer)
    changing = [key for key, count in counts.items() if count < len(sweep.moments)]
    assert len(changing) > 120
    kinds = collections.Counter(key.partition("/")[2] for key in changing)
    assert min(kinds[kind] for kind in ("when", "clears", "in_scope", "escalates")) >= 10
    assert sum(rule.needs is not None for rule in sweep.rule_set.rules) >= 15


def test_needs_hold_back_both_the_beginning_and_the_end() -> None:
    """While what a rule needs is not met, neither its `when` nor its `clears` is answered."""
    low = Comparison("spo2", Op.BELOW, Value(90.0))
    need = Comparison("breath.since", Op.BELOW, Value(20.0))
    rule_set = rule_set_of([replace(rule_of("r", low), needs=need)])
    answers = {
        (90.0 + off, since): engine.evaluate({"spo2": 90.0 + off, "breath.since": since}, {})
        for engine in (build_engine(rule_set, "plain"), build_engine(rule_set))
        for off in (-1.0, 1.0)
        for since in (10.0, 30.0)
    }
    assert answers == {
        (89.0, 10.0): {"r/when"}, (91.0, 10.0): {"r/clears"},
        (89.0, 30.0): set(), (91.0, 30.0): set(),
    }  # fmt: skip


def test_needs_and_condition_that_are_together_too_wide_are_refused() -> None:
    """Each may come true in 8 ways; together in 64, which is more than durable-rules can hold."""
    wide = Group("any", tuple(Comparison("spo2", Op.BELOW, Value(float(i))) for i in range(50, 58)))
    for rule in (
        rule_of("r", wide),
        rule_of("r", Comparison("spo2", Op.BELOW, Value(90.0)), clears=wide),
    ):
        rule_set = rule_set_of([replace(rule, needs=wide)])
        for choice in ("plain", "durable", "auto"):
            with pytest.raises(EngineError, match="64 ways"):
                build_engine(rule_set, choice)


def test_plain_agrees_over_five_thousand_snapshots(sweep: Sweep) -> None:
    assert _sweep_differences(sweep, "plain") == []


@pytest.mark.usefixtures("durable")
def test_durable_agrees_over_five_thousand_snapshots(sweep: Sweep) -> None:
    assert _sweep_differences(sweep, "durable") == []


LIBRARY = Path(__file__).parents[2] / "rules" / "library"
RELEASED = sorted(path.parent for path in LIBRARY.glob("*/*/rule-set.yaml"))


@pytest.mark.usefixtures("durable")
@pytest.mark.parametrize("folder", RELEASED, ids=lambda path: f"{path.parent.name}@{path.name}")
def test_all_agree_on_the_rule_sets_of_the_library(folder: Path) -> None:
    rule_set = load_rule_set({path.name: path.read_text() for path in folder.glob("*.yaml")})
    engines = [build_engine(rule_set, choice) for choice in ("durable", "plain")]
    generator = random.Random(5)
    for _ in range(400):
        facts = _any_facts(generator)
        patient = PatientContext(
            generator.choice((None, *CLASSES)), "rat", generator.choice((None, 0.02, 3.0)), None
        )
        limits = rule_set.limits.resolve(patient)
        wanted = expected(rule_set, facts, limits)
        some = [rule.id for rule in rule_set.rules if generator.random() < 0.1]
        for engine in engines:
            answer = engine.evaluate(facts, limits)  # type: ignore[arg-type]  # facts of any kind
            assert answer == wanted
            answer = engine.evaluate(facts, limits, some)  # type: ignore[arg-type]  # facts of any kind
            assert answer == followed(wanted, some)


def _any_facts(generator: random.Random) -> dict[str, object]:
    facts: dict[str, object] = {}
    for fact in CATALOGUE.values():
        if generator.random() < 0.15:
            continue
        if fact.kind is Kind.NUMBER:
            facts[fact.name] = generator.uniform(fact.low, min(fact.high, 100.0))
        elif fact.kind is Kind.LABEL:
            facts[fact.name] = generator.choice(fact.labels or ("rat", "tortoise"))
    return facts
