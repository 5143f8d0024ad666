"""Every limit, number and time is moved, every comparison turned, every clause and bond dropped."""

from __future__ import annotations

import pytest
from texts import ABOUT, LIMITS, RULES

from rules.conditions import normal
from rules.loading import load_rule_set
from rules.model import Comparison, RuleSet, Value
from rules.mutation import MOVE, Mutant, mutants
from rules.mutation.conditions import step_of


@pytest.fixture(scope="module")
def rule_set() -> RuleSet:
    return load_rule_set({"rule-set.yaml": ABOUT, "limits.yaml": LIMITS, "rules.yaml": RULES})


@pytest.fixture(scope="module")
def made(rule_set: RuleSet) -> list[Mutant]:
    return list(mutants(rule_set))


def test_each_differs_from_the_rule_set_in_one_place(rule_set: RuleSet, made: list[Mutant]) -> None:
    assert [one.number for one in made] == list(range(len(made)))
    for one in made:
        rules = [
            new.id
            for new, old in zip(one.rule_set.rules, rule_set.rules, strict=True)
            if new != old
        ]
        limits = [
            name
            for name, limit in one.rule_set.limits.limits.items()
            if limit != rule_set.limits.limits[name]
        ]
        assert rules + limits == [one.of], one.words
        assert one.rules <= {rule.id for rule in rule_set.rules}
        assert one.rules


def test_no_two_are_the_same(made: list[Mutant]) -> None:
    assert len({(one.of, one.words) for one in made}) == len(made)


def test_a_limit_is_moved_by_a_tenth_for_each_of_its_entries(made: list[Mutant]) -> None:
    words = [one.words for one in made if one.of == "etco2_high"]
    assert words == ["60.5 mm[Hg] for 55 (mammals)", "49.5 mm[Hg] for 55 (mammals)"]


def test_a_number_is_moved_at_least_as_far_as_its_last_digit_shows() -> None:
    assert step_of(55.0, "etco2") == pytest.approx(MOVE * 55.0)
    assert step_of(2.0, "etco2") == 1.0
    assert step_of(0.0, "paw.pip") == pytest.approx(0.1)


def test_every_clause_is_left_out_turned_and_moved(rule_set: RuleSet, made: list[Mutant]) -> None:
    for rule in rule_set.rules:
        own = [one for one in made if one.of == rule.id]
        leaves = [
            leaf for condition in rule.conditions().values() for leaf in _leaves(normal(condition))
        ]
        compared = [leaf for leaf in leaves if isinstance(leaf, Comparison)]
        numbers = [
            leaf
            for leaf in compared
            if isinstance(leaf.operand, Value) and isinstance(leaf.operand.value, float)
        ]
        assert sum(one.kind == "comparison" for one in own) == len(compared)
        assert sum(one.kind == "threshold" for one in own) >= 2 * len(numbers)
        # A rule whose whole condition is one clause is nothing without it.
        assert len(leaves) - 1 <= sum(one.kind == "clause" for one in own) <= len(leaves)


def _leaves(tree: object) -> list[object]:
    members = getattr(tree, "members", None)
    return [tree] if members is None else [leaf for one in members for leaf in _leaves(one)]
