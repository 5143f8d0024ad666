"""Scenarios that would notice what none does: each edge of a rule, approached and passed.

The times and values follow from the rule as it is. Whether they are right is for a clinician to
say: what is proposed is read before it is kept.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from typing import Final

from rules.conditions import Leaf
from rules.limits import PatientContext
from rules.model import SCOPE_FACTS, Rule, RuleSet
from service.rehearsal.animals import ONE_OF_A_CLASS
from service.rehearsal.edges import Ground, Values, just_holding, ways
from service.rehearsal.scenario import Animal, Expected, Scenario
from service.rehearsal.story import Story, who
from service.rehearsal.telling import AFTER_S, BEFORE_S, PROPOSED, Telling, at, way_that_holds

#: Facts change at given moments, so that what follows comes at given moments too (s).
_TOLERANCE_S: Final = 0.5


def edge_scenarios(
    rule: Rule, rule_set: RuleSet, animal: Animal, healthy: Values
) -> list[Scenario]:
    """One scenario for each way in which the rule can come to hold in this animal.

    `healthy` are the facts it begins with. Ways for which no values are found are left out.
    """
    animal = _in_scope(animal, rule)
    ground = _ground(rule_set, animal, healthy, rule)
    begins = _both_sides(ways(rule.needing(rule.when)))
    ends = _both_sides(ways(rule.needing(rule.clearing)))
    # Every way to begin, and every way to end once.
    pairs = [(number, 0) for number in range(len(begins))]
    pairs += [(0, number) for number in range(1, len(ends))] if rule.clears else []
    found = []
    for begin, end in pairs:
        telling = Telling(rule, ground)
        if telling.tell(begins[begin], ends[end:]):
            found.append(_edges(telling, animal, _name(rule, begin, end)))
    return [*found, *_in_others(rule, ground, animal)]


def bond_scenario(
    above: Rule, below: Rule, rule_set: RuleSet, animal: Animal, healthy: Values
) -> Scenario | None:
    """Both rules hold at once, and the one explains the other. None where no values are found."""
    animal = _in_scope(animal, above, below)
    ground = _ground(rule_set, animal, healthy, above, below)
    both = _both_hold(above, below, ground)
    if both is None:
        return None
    story = Story()
    story.stand(ground.healthy, BEFORE_S)
    story.stand(both, max(above.for_s, below.for_s) + AFTER_S)
    return Scenario(
        name=f"{above.id} explains {below.id}",
        where=PROPOSED,
        animal=animal,
        lasts_s=story.now_s,
        timeline=story.facts(),
        about="Both are there: the second is shown under the first, and does not speak by itself.",
        expects=(
            Expected(above.id, PROPOSED, at(BEFORE_S + above.for_s)),
            Expected(below.id, PROPOSED, at(BEFORE_S + below.for_s), explained_by=above.id),
        ),
    )


def _edges(telling: Telling, animal: Animal, name: str) -> Scenario:
    assert telling.expected is not None  # noqa: S101 (it was told)
    return Scenario(
        name=name,
        where=PROPOSED,
        animal=animal,
        lasts_s=telling.story.now_s,
        timeline=telling.story.facts(),
        about="Each clause just fails in turn; then all just hold; then it is just over.",
        asked=tuple(telling.asked),
        expects=(telling.expected,),
        tolerance_s=_TOLERANCE_S,
    )


def _both_sides(found: list[tuple[Leaf, ...]]) -> list[tuple[Leaf, ...]]:
    """A fact that must lie between two edges is brought close to the one, then to the other."""
    between = [
        way for way in found if max(Counter(leaf.fact for leaf in way).values(), default=0) > 1
    ]
    return [*found, *(way[::-1] for way in between)]


def _in_others(rule: Rule, ground: Ground, animal: Animal) -> Iterator[Scenario]:
    """The very same in an animal of a class that the rule does not speak of."""
    classes = rule.only_in.get("class")
    other = next((one for one in ONE_OF_A_CLASS if classes and one.class_ not in classes), None)
    asked = rule.needing(rule.when)
    holding = just_holding(ways(asked)[0], asked, ground, ground.healthy)
    if other is None or holding is None:
        return
    story = Story()
    story.stand({**holding, **who(other)}, rule.for_s + AFTER_S)
    yield Scenario(
        name=f"no {rule.id} in a {other.species}",
        where=PROPOSED,
        animal=replace(other, phase=animal.phase),
        lasts_s=story.now_s,
        timeline=story.facts(),
        about="What the rule tells of, in an animal that it is not for.",
        never=(rule.id,),
    )


def _both_hold(above: Rule, below: Rule, ground: Ground) -> Values | None:
    first, second = above.needing(above.when), below.needing(below.when)
    for way in ways(first):
        upper = just_holding(way, first, ground, ground.healthy)
        for other in ways(second) if upper is not None else ():
            both = just_holding(other, second, ground, upper or {}, keep=True)
            if both is not None and way_that_holds(first, both, ground):
                return both
    return None


def _name(rule: Rule, begin: int, end: int) -> str:
    way = f", way {begin + 1}" if begin else ""
    over = f", over in way {end + 1}" if end else ""
    return f"the edges of {rule.id}{way}{over}"


def _ground(rule_set: RuleSet, animal: Animal, healthy: Values, *rules: Rule) -> Ground:
    """The healthy animal where these rules apply, and its limits."""
    values = dict(healthy)
    for rule in rules:
        for key, labels in rule.only_in.items():
            if values.get(SCOPE_FACTS[key]) not in labels:
                values[SCOPE_FACTS[key]] = labels[0]
    context = PatientContext(animal.class_, animal.species, animal.mass_kg, animal.phase)
    return Ground({**values, **who(animal)}, rule_set.limits.resolve(context))


def _in_scope(animal: Animal, *rules: Rule) -> Animal:
    """The animal in a phase of which the rules speak."""
    for rule in rules:
        phases = rule.only_in.get("phase")
        if phases is not None and animal.phase not in phases:
            animal = replace(animal, phase=phases[0])
    return animal
