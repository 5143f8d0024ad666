"""Why a rule speaks or does not: what is in the way is in the way, and nothing else is."""

from __future__ import annotations

import random
from collections.abc import Mapping

import pytest
from advisory_bench import above, below, rule, rule_set
from service_bench import START_MS

from rules.conditions import too_wide
from rules.engine.plain import PlainEngine
from rules.model import Comparison, Condition, Group, Op, Rule, Unknown, Value
from rules.obstacles import obstacles
from service.advisories import Advisory, Moment, Tracked
from service.bedside import Bedside
from service.facts import FactSet
from service.why import why, why_all
from service.wording import write_advisory

FACTS = ("spo2", "etco2", "pulse_rate", "temperature")


def moment(rules: list[Rule], facts: Mapping[str, float | str]) -> Moment:
    conditions = PlainEngine(rule_set(*rules)).evaluate(facts, {})
    unknown = {name: "sensor off" for name in FACTS if name not in facts}
    return Moment(START_MS + 60_000, "Skerry", FactSet(dict(facts), unknown), {}, conditions)


def standing(item: Rule, facts: Mapping[str, float | str]) -> tuple[Moment, Tracked]:
    now = moment([item], facts)
    advisory: Advisory = write_advisory(Bedside("recovery", "bay-1"), item, now, START_MS, "a")
    return now, Tracked(holds_since_ms=START_MS, advisory=advisory)


def test_a_rule_that_does_not_hold_names_what_is_short() -> None:
    item = rule(when=Group("all", (below("spo2", 90.0), above("etco2", 55.0))))
    reason = why(item, moment([item], {"spo2": 88.0, "etco2": 48.0}), {})
    assert reason.state == "does not hold"
    assert [(c.fact, c.margin) for c in reason.in_the_way] == [("etco2", -7.0)]
    assert [(c.fact, c.holds, c.margin) for c in reason.when] == [
        ("spo2", True, 2.0),
        ("etco2", False, -7.0),
    ]


def test_of_several_ways_the_one_with_fewest_obstacles_is_told() -> None:
    two = Group("all", (below("spo2", 90.0), below("temperature", 30.0)))
    item = rule(when=Group("any", (two, above("etco2", 55.0))))
    facts = {"spo2": 99.0, "temperature": 37.0, "etco2": 40.0}
    reason = why(item, moment([item], facts), {})
    assert [c.fact for c in reason.in_the_way] == ["etco2"]


def test_what_is_not_known_is_in_the_way_and_the_rule_is_not_judged() -> None:
    item = rule()
    reason = why(item, moment([item], {}), {})
    assert (reason.state, [c.holds for c in reason.in_the_way]) == ("not judged", [None])
    assert "unknown (sensor off)" in reason.in_the_way[0].text


def test_a_rule_whose_needs_are_not_met_is_not_judged() -> None:
    needs = Group("none", (Unknown("temperature"),))
    item = rule(needs=needs)
    reason = why(item, moment([item], {"spo2": 80.0}), {})
    assert reason.state == "not judged"
    assert [c.fact for c in reason.in_the_way] == ["temperature"]
    known = moment([item], {"spo2": 80.0, "temperature": 37.0})
    assert why(item, known, {}).state == "waits"


@pytest.mark.parametrize(
    ("mode", "state"), [("spontaneous", "out of scope"), ("controlled", "waits"), (None, "waits")]
)
def test_out_of_scope_only_where_the_label_is_known_to_be_another(
    mode: str | None, state: str
) -> None:
    item = rule(only_in={"mode": ("controlled",)}, for_s=10.0)
    facts: dict[str, float | str] = {"spo2": 80.0}
    if mode is not None:
        facts["settings.mode"] = mode
    reason = why(item, moment([item], facts), {"spo2-low": Tracked(holds_since_ms=START_MS)})
    # An unknown label keeps a new finding from being raised, yet the rule is not out of scope.
    assert reason.state == (state if mode else "does not hold")
    assert reason.scope == (("mode", ("controlled",), mode),)


def test_of_a_standing_one_it_is_told_what_would_end_it() -> None:
    item = rule(clears=above("spo2", 93.0))
    now, tracked = standing(item, {"spo2": 89.0})
    reason = why(item, now, {item.id: tracked})
    assert (reason.state, reason.held_s) == ("stands", 60.0)
    assert [(c.fact, c.op, c.margin) for c in reason.in_the_way] == [("spo2", "above", -4.0)]


def test_an_explained_one_names_the_rule_that_explains_it() -> None:
    low, very_low = rule("spo2-low"), rule("spo2-very-low", below("spo2", 80.0))
    now, one = standing(low, {"spo2": 70.0})
    _, other = standing(very_low, {"spo2": 70.0})
    assert one.advisory is not None
    assert other.advisory is not None
    other.advisory.id = "b"
    one.advisory.outranked_by = "b"
    reasons = why_all(rule_set(low, very_low), now, {low.id: one, very_low.id: other})
    assert [(r.rule.id, r.explained_by) for r in reasons] == [
        ("spo2-very-low", None),
        ("spo2-low", "spo2-very-low"),
    ]


def test_what_is_nearest_to_speaking_comes_first() -> None:
    rules = [
        rule("far", below("spo2", 50.0)),
        rule("near", below("spo2", 94.0)),
        rule("two", Group("all", (below("spo2", 94.0), below("etco2", 39.0)))),
    ]
    reasons = why_all(rule_set(*rules), moment(rules, {"spo2": 95.0, "etco2": 40.0}), {})
    assert [r.rule.id for r in reasons] == ["near", "far", "two"]


# -- the obstacles of any condition ---------------------------------------------------------------


def _condition(rng: random.Random, depth: int) -> Condition:
    if depth == 0 or rng.random() < 0.3:
        fact, value = rng.choice(FACTS), float(rng.randint(30, 45))
        if rng.random() < 0.1:
            return Unknown(fact)
        return Comparison(fact, rng.choice([Op.ABOVE, Op.BELOW, Op.AT_LEAST]), Value(value))
    kind = rng.choice(["all", "any", "none"])
    members = tuple(_condition(rng, depth - 1) for _ in range(rng.randint(1, 3)))
    return Group(kind, members)  # type: ignore[arg-type]  # each is a kind


def test_a_condition_holds_exactly_when_nothing_is_in_its_way() -> None:
    """Held against the plain engine, over seeded random conditions and facts."""
    rng, held = random.Random(7), 0
    for _ in range(3000):
        item = rule(when=_condition(rng, 3), clears=above("spo2", 0.0))
        if too_wide(item.when) is not None:
            continue
        facts = {name: float(rng.randint(30, 45)) for name in FACTS if rng.random() < 0.8}
        now = moment([item], facts)
        holds = "spo2-low/when" in now.conditions
        in_the_way = obstacles(item.when, facts, {}, now.facts.unknown)
        assert holds == (not in_the_way)
        assert all(clause.holds is not True for clause in in_the_way)
        held += holds
    assert 500 < held < 2000
