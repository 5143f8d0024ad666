"""The library's own scenarios: all as expected, and little that they would not notice."""

from __future__ import annotations

import os

import pytest

from adapters.rehearsal.files import Found, find_scenarios
from adapters.rehearsal.pool import Rehearsal, rehearse_all
from adapters.rule_files import DEFAULT_RULES, LoadedRules, load_rules
from service.rehearsal.scenario import Facts, Simulated

PROPOSED = ("edges.yaml", "limits.yaml", "explained.yaml")


@pytest.fixture(scope="module")
def rules() -> LoadedRules:
    return load_rules(DEFAULT_RULES)


@pytest.fixture(scope="module")
def found(rules: LoadedRules) -> Found:
    return find_scenarios(DEFAULT_RULES, rules)


@pytest.fixture(scope="module")
def rehearsal(rules: LoadedRules, found: Found) -> Rehearsal:
    jobs = min(2, os.cpu_count() or 1)
    return rehearse_all(rules, found, jobs, changes=True)


@pytest.mark.slow
def test_everything_is_as_expected(rehearsal: Rehearsal) -> None:
    against = [
        f"{verdict.where}: {verdict.asks}: {verdict.why}"
        for one in rehearsal.rehearsed
        for verdict in one.verdicts
        if not verdict.met
    ]
    assert against == []


@pytest.mark.slow
def test_every_clause_was_put_to_the_test(rehearsal: Rehearsal) -> None:
    unseen = [key for key, seen in rehearsal.coverage.clauses.items() if not seen.whole]
    assert unseen == []


@pytest.mark.slow
def test_moved_limits_and_times_are_noticed_and_the_rest_has_a_reason(
    rehearsal: Rehearsal,
) -> None:
    assert rehearsal.thresholds.of > 1000
    assert rehearsal.thresholds.value >= 0.90
    assert [one.words for one in rehearsal.survivors if rehearsal.reason(one) is None] == []
    assert rehearsal.stale() == []


def test_every_rule_is_raised_and_cleared_by_a_scenario_that_somebody_wrote(
    rules: LoadedRules, found: Found
) -> None:
    by_hand = [one for one in found.scenarios if one.where.file not in PROPOSED]
    assert len(by_hand) >= 100
    expected = [one for scenario in by_hand for one in scenario.expects]
    ids = {rule.id for rule in rules.rule_set.rules}
    assert {one.rule for one in expected} == ids
    assert {one.rule for one in expected if one.cleared is not None} == ids


def test_scenarios_of_animals_begin_healthy(found: Found) -> None:
    simulated = [one for one in found.scenarios if isinstance(one.timeline, Simulated)]
    assert len(simulated) >= 25
    quiet = [one for one in simulated if one.others_silent]
    assert {one.animal.class_ for one in quiet} >= {"mammal", "bird", "reptile"}


def test_the_healthy_cat_has_every_fact_that_a_rule_asks_for_or_none(
    rules: LoadedRules, found: Found
) -> None:
    """A fact that scenarios never give would leave its clause untested in all of them."""
    given = {
        name
        for one in found.scenarios
        if isinstance(one.timeline, Facts)
        for name in one.timeline.series
    }
    asked = frozenset().union(*(rule.facts() for rule in rules.rule_set.rules))
    patient = {"patient.class", "patient.species", "patient.mass", "patient.phase"}
    assert asked - given - patient == frozenset()
