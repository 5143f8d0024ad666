"""A clause decides where the condition would have come out otherwise by it alone."""

from __future__ import annotations

import itertools
from typing import Any

import pytest
from texts import ABOUT

from rules.coverage import Coverage, Observer, Seen, clauses
from rules.limits import PatientContext
from rules.loading import load_rule_set
from rules.model import RuleSet
from rules.truth import truth

LIMITS = """\
limits:
  low:
    meaning: saturation that is low
    unit: "%"
    values:
      - value: 90
        since: 2026-11-25
        source: {ref: "a paper", confidence: published}
"""
RULE = """\
rules:
  - id: one
    title: One
    only_in: {mode: [controlled]}
    needs: [pulse_rate]
    when:
      all:
        - {fact: spo2, below: limit low}
        - any: [{fact: etco2, above: "50 mm[Hg]"}, {fact: fico2, above: "5 mm[Hg]"}]
        - none: [{fact: spo2.doubtful, is: true}]
    clears: {fact: spo2, above: 95 %}
    harm: reversible injury
    onset: prompt
    cause: x
    says: "One."
    because: "It is."
    look_at: ["Look."]
    source: {ref: "a paper", confidence: published}
"""
HOLDS: dict[str, Any] = {
    "settings.mode": "controlled", "pulse_rate": 100.0, "spo2": 80.0, "etco2": 60.0, "fico2": 0.0,
    "spo2.doubtful": False,
}  # fmt: skip


@pytest.fixture(scope="module")
def rule_set() -> RuleSet:
    text = RULE.replace("above: 50", 'above: "50 mm[Hg]"').replace(
        "above: 5}", 'above: "5 mm[Hg]"}'
    )
    return load_rule_set({"rule-set.yaml": ABOUT, "limits.yaml": LIMITS, "rules.yaml": text})


def look(rule_set: RuleSet, *moments: dict[str, Any], standing: bool = False) -> Coverage:
    observer = Observer(rule_set)
    limits = dict(rule_set.limits.resolve(PatientContext("mammal", "cat", 3.0, "maintenance")))
    for facts in moments:
        observer.look(facts, limits, {"one"} if standing else set())
    return observer.coverage


def of(coverage: Coverage, condition: str) -> list[tuple[int, int, int]]:
    seen = [one for key, one in coverage.clauses.items() if key[1] == condition]
    return [(one.true, one.false, one.deciding) for one in seen]


def test_of_two_that_would_do_neither_decides(rule_set: RuleSet) -> None:
    assert of(look(rule_set, HOLDS), "when") == [(1, 0, 1), (1, 0, 1), (0, 1, 0), (1, 0, 1)]
    both = {**HOLDS, "fico2": 8.0}
    assert of(look(rule_set, both), "when") == [(1, 0, 1), (1, 0, 0), (1, 0, 0), (1, 0, 1)]


def test_where_two_are_missing_neither_decides(rule_set: RuleSet) -> None:
    far = {**HOLDS, "spo2": 95.0, "spo2.doubtful": True}
    assert of(look(rule_set, far), "when") == [(0, 1, 0), (1, 0, 0), (0, 1, 0), (0, 1, 0)]


def test_what_is_not_known_is_neither_true_nor_false(rule_set: RuleSet) -> None:
    dark = {name: value for name, value in HOLDS.items() if name != "etco2"}
    assert of(look(rule_set, dark), "when")[1] == (0, 0, 1)


def test_nothing_hangs_on_a_rule_out_of_its_scope_or_without_what_it_needs(
    rule_set: RuleSet,
) -> None:
    for facts in ({**HOLDS, "settings.mode": "standby"}, {**HOLDS, "pulse_rate": None}):
        known = {name: value for name, value in facts.items() if value is not None}
        assert [deciding for *_, deciding in of(look(rule_set, known), "when")] == [0, 0, 0, 0]


def test_only_what_stands_can_end(rule_set: RuleSet) -> None:
    over = {**HOLDS, "spo2": 97.0}
    assert of(look(rule_set, over), "clears") == [(1, 0, 0)]
    assert of(look(rule_set, over, standing=True), "clears") == [(1, 0, 1)]


def test_the_limit_that_decided_is_noted_with_for_whom_it_is(rule_set: RuleSet) -> None:
    assert look(rule_set, HOLDS).limits == {("low", "every patient"): 1}
    assert look(rule_set, {**HOLDS, "etco2": 40.0}).limits == {}


def test_the_same_values_again_count_once(rule_set: RuleSet) -> None:
    assert of(look(rule_set, HOLDS, HOLDS, dict(HOLDS)), "when")[0] == (1, 0, 1)


def test_deciding_is_what_changing_the_fact_alone_shows(rule_set: RuleSet) -> None:
    """Held against the truth of the condition itself, for every combination of four facts."""
    sides = {
        "spo2": (80.0, 97.0), "etco2": (60.0, 40.0), "fico2": (8.0, 0.0),
        "spo2.doubtful": (False, True),
    }  # fmt: skip
    rule = rule_set.rules[0]
    limits = dict(rule_set.limits.resolve(PatientContext("mammal", "cat", 3.0, "maintenance")))
    leaves = [clause.leaf for clause in clauses(rule_set) if clause.key[1] == "when"]
    for values in itertools.product(*sides.values()):
        facts = {**HOLDS, **dict(zip(sides, values, strict=True))}
        seen = of(look(rule_set, facts), "when")
        before = truth(rule.when, facts, limits)
        for leaf, (_, _, deciding) in zip(leaves, seen, strict=True):
            one, other = sides[leaf.fact]
            flipped = {**facts, leaf.fact: other if facts[leaf.fact] == one else one}
            assert bool(deciding) is (truth(rule.when, flipped, limits) is not before)


def test_what_was_seen_in_two_places_is_added() -> None:
    one, other = Seen(1, 0, 0), Seen(0, 2, 1)
    assert not one.whole
    one.add(other)
    assert (one, one.whole) == (Seen(1, 2, 1), True)


def test_clauses_are_numbered_as_they_are_written(rule_set: RuleSet) -> None:
    keys = [clause.key for clause in clauses(rule_set)]
    assert keys == [
        *(("one", "when", number) for number in range(4)),
        ("one", "clears", 0),
        ("one", "needs", 0),
    ]
