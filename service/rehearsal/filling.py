"""Proposes scenarios for what no scenario notices: edges of the rules and limits concerned."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final, Literal

from rules.limits import PatientContext, Where
from rules.model import Rule, RuleSet
from rules.mutation import Mutant
from rules.vocabulary.species import class_of
from service.judge import Judge
from service.rehearsal.animals import ANIMALS
from service.rehearsal.edges import Values
from service.rehearsal.noticing import Engines, Noticing
from service.rehearsal.proposing import bond_scenario, edge_scenarios
from service.rehearsal.running import run_facts
from service.rehearsal.scenario import Animal, Facts, Scenario
from service.rehearsal.verdicts import verdicts

_About = Literal["edges", "limits", "explained"]
_ORDER: Final[tuple[_About, ...]] = ("edges", "limits", "explained")


@dataclass(frozen=True, slots=True)
class Proposal:
    """A scenario, the numbers of the changes that it notices and no other does, and its kind."""

    scenario: Scenario
    notices: frozenset[int]
    about: _About


def proposals(survivors: Iterable[Mutant], judge: Judge, healthy: Values) -> Iterator[Proposal]:
    """Scenarios that notice what is left, each at least one that none before it does.

    `healthy` are the facts of a healthy animal, from which each begins.
    """
    # The edges of a rule in one animal notice much of what is left of limits and bonds too.
    ordered = sorted(survivors, key=lambda mutant: _ORDER.index(_about(mutant)))
    left = {mutant.number: mutant for mutant in ordered}
    engines, tried = Engines(), set()
    for mutant in list(left.values()):
        for rule, animal in _where_to_look(mutant, judge):
            if mutant.number not in left or (rule.id, animal, mutant.without) in tried:
                continue
            tried.add((rule.id, animal, mutant.without))
            for scenario in _scenarios(mutant, rule, animal, judge.rule_set, healthy):
                noticed = _noticed(scenario, judge, engines, left)
                if noticed:
                    yield Proposal(scenario, noticed, _about(mutant))
                    left = {n: one for n, one in left.items() if n not in noticed}


def _scenarios(
    mutant: Mutant, rule: Rule, animal: Animal, rule_set: RuleSet, healthy: Values
) -> list[Scenario]:
    if mutant.without is None:
        found = edge_scenarios(rule, rule_set, animal, healthy)
        whose = f": {animal}, {animal.phase}"
        return [replace(one, name=one.name + whose) if mutant.where else one for one in found]
    below = rule_set.rule(mutant.without)
    scenario = bond_scenario(rule, below, rule_set, animal, healthy)
    return [] if scenario is None else [scenario]


def _about(mutant: Mutant) -> _About:
    if mutant.without is not None:
        return "explained"
    return "limits" if mutant.where is not None else "edges"


def _noticed(
    scenario: Scenario, judge: Judge, engines: Engines, left: Mapping[int, Mutant]
) -> frozenset[int]:
    assert isinstance(scenario.timeline, Facts)  # noqa: S101 (edges are facts)
    ran = run_facts(scenario, scenario.timeline, judge)
    if not all(verdict.met for verdict in verdicts(scenario, ran)):
        return frozenset()
    return frozenset(Noticing(scenario, ran, judge, engines).noticed(left.values()))


def _where_to_look(mutant: Mutant, judge: Judge) -> Iterator[tuple[Rule, Animal]]:
    """Rules that the change may concern, each with an animal that it concerns too."""
    for rule in judge.rule_set.rules:
        if rule.id not in mutant.rules:
            continue
        for animal in _animals(mutant.where):
            meant = "class" not in rule.only_in or animal.class_ in rule.only_in["class"]
            if meant and (mutant.where is None or _chosen(mutant, animal, judge)):
                yield rule, animal
                break


def _animals(where: Where | None) -> Iterator[Animal]:
    """Animals that an entry is written for."""
    if where is None:
        yield from ANIMALS
        return
    if where.species is not None:
        alike = [Animal(where.species, where.class_ or class_of(where.species) or "mammal", 1.0)]
    else:
        alike = [one for one in ANIMALS if where.class_ in (None, one.class_)]
    for animal in alike:
        mass_kg = animal.mass_kg or 1.0
        if where.mass_kg is not None:
            low, high = where.mass_kg
            mass_kg = mass_kg if low <= mass_kg < high else _middle(low, high)
        yield Animal(animal.species, animal.class_, mass_kg, where.phase or animal.phase)


def _middle(low: float, high: float) -> float:
    return round((low + min(high, 2.0 * low + 0.1)) / 2.0, 4)


def _chosen(mutant: Mutant, animal: Animal, judge: Judge) -> bool:
    """Whether that entry is the one that counts for the animal."""
    context = PatientContext(animal.class_, animal.species, animal.mass_kg, animal.phase)
    found = judge.rule_set.limits.candidates(mutant.of, context)
    return bool(found) and found[0].where == mutant.where
