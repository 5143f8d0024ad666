"""One condition asked once gives the answer of the oracle."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from oracle import truth as oracle_truth
from oracle import usable
from worlds import World

from rules.model import Comparison, Group, Op, Unknown, Value
from rules.truth import truth

pytestmark = pytest.mark.usefixtures("flag_fact")

LOW = Comparison("spo2", Op.BELOW, Value(90.0))
HIGH = Comparison("etco2", Op.ABOVE, Value(55.0))


@settings(max_examples=300, deadline=None, suppress_health_check=list(HealthCheck))
@given(seed=st.integers(0, 2**48), depth=st.integers(0, 4), width=st.integers(1, 4))
def test_any_condition_in_any_moment(seed: int, depth: int, width: int) -> None:
    world = World(seed)
    condition = world.condition(depth, width)
    for _ in range(5):
        facts, limits = world.snapshot(), world.limits()
        known = {name: value for name, value in facts.items() if usable(name, value)}
        assert truth(condition, facts, limits) == oracle_truth(condition, known, limits)  # type: ignore[arg-type]  # facts of any kind


def test_all_three_answers_occur() -> None:
    world = World(1)
    answers = Counter(
        truth(world.condition(2, 3), world.snapshot(), world.limits())  # type: ignore[arg-type]  # facts of any kind
        for _ in range(300)
    )
    assert min(answers[answer] for answer in (True, False, None)) > 30


@pytest.mark.parametrize(
    ("kind", "one", "other", "answer"),
    [
        # The truth tables of strong Kleene logic (Kleene 1952, section 64), with one part unknown.
        ("all", 85.0, None, None),
        ("all", 95.0, None, False),
        ("any", 85.0, None, True),
        ("any", 95.0, None, None),
        ("none", 85.0, None, False),
        ("none", 95.0, None, None),
        ("none", 95.0, 40.0, True),
    ],
)
def test_the_tables(kind: str, one: float, other: float | None, answer: bool | None) -> None:
    facts = {"spo2": one} if other is None else {"spo2": one, "etco2": other}
    assert truth(Group(kind, (LOW, HIGH)), facts, {}) is answer  # type: ignore[arg-type]  # each is a kind


def test_unknown_is_never_unknown() -> None:
    assert truth(Unknown("spo2"), {}, {}) is True
    assert truth(Unknown("spo2"), {"spo2": 97.0}, {}) is False
    assert truth(Unknown("spo2"), {"spo2": 1e9}, {}) is True
