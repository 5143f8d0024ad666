"""Both engines give the answers of the oracle, for any rule set and any snapshot."""

from __future__ import annotations

import collections
import itertools
import random
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from oracle import expected
from worlds import World, rule_set_of

from rules.conditions import too_wide
from rules.engine import EngineError, build_engine
from rules.limits import PatientContext, ResolvedLimit
from rules.loading import load_rule_set
from rules.model import RuleSet
from rules.vocabulary import CATALOGUE, CLASSES, Kind

pytestmark = pytest.mark.usefixtures("flag_fact")

seeds = st.integers(min_value=0, max_value=2**48)
shapes = st.tuples(st.integers(1, 8), st.integers(1, 4), st.integers(1, 3))
EXAMPLES = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))


def _differences(rule_set: RuleSet, world: World, choice: str, snapshots: int) -> list[object]:
    engine = build_engine(rule_set, choice)  # type: ignore[arg-type]
    found: list[object] = []
    for _ in range(snapshots):
        facts, limits = world.snapshot(), world.limits()
        answer = engine.evaluate(facts, limits)  # type: ignore[arg-type]
        if answer != (wanted := expected(rule_set, facts, limits)):
            found.append((facts, limits, sorted(answer ^ wanted)))
    return found


def _narrow(rule_set: RuleSet) -> bool:
    conditions = [c for rule in rule_set.rules for c in (rule.when, rule.clearing)]
    return not any(too_wide(condition) for condition in conditions)


def _check(seed: int, shape: tuple[int, int, int], choice: str) -> None:
    world = World(seed)
    rules, depth, width = shape
    rule_set = world.rule_set(rules, depth, width)
    if _narrow(rule_set):
        assert _differences(rule_set, world, choice, 12) == []
    else:
        with pytest.raises(EngineError, match="more than"):
            build_engine(rule_set, choice)  # type: ignore[arg-type]


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
    narrow = (rule for rule in world.rule_set(200, 3, 3).rules if _narrow(rule_set_of([rule])))
    rule_set = rule_set_of(itertools.islice(narrow, 60))
    pairs = [(world.snapshot(), world.limits()) for _ in range(5000)]
    return Sweep(rule_set, [(*pair, expected(rule_set, *pair)) for pair in pairs])


def _sweep_differences(sweep: Sweep, choice: str) -> list[object]:
    engine = build_engine(sweep.rule_set, choice)  # type: ignore[arg-type]
    return [
        (facts, limits)
        for facts, limits, answer in sweep.moments
        if engine.evaluate(facts, limits) != answer  # type: ignore[arg-type]
    ]


def test_the_sweep_is_worth_running(sweep: Sweep) -> None:
    """Every condition holds in some moments and fails in others, but for a few constant ones."""
    assert len(sweep.rule_set.rules) == 60
    counts = collections.Counter(key for _, _, answer in sweep.moments for key in answer)
    changing = [key for key, count in counts.items() if count < len(sweep.moments)]
    assert len(changing) > 120


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
        answers = {engine.evaluate(facts, limits) for engine in engines}  # type: ignore[arg-type]
        assert answers == {expected(rule_set, facts, limits)}


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
