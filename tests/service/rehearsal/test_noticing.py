"""A small change of the rules is noticed exactly when a scenario run with it fails."""

from __future__ import annotations

import pytest
from rehearsal_stage import CAT, RULE_IDS, judge, ran, rule_set, scenario

from rules.mutation import Mutant, mutants
from service.rehearsal.filling import proposals
from service.rehearsal.noticing import Engines, Noticing
from service.rehearsal.reading import read_scenarios
from service.rehearsal.running import run_facts
from service.rehearsal.scenario import Facts, Scenario
from service.rehearsal.verdicts import verdicts
from service.rehearsal.writing import written

#: Raised far over the limit, and cleared far under it.
COARSE = """\
    animal: cat
    lasts: 3 min
    facts: {etco2: "40 for 30 s, 70 for 40 s, 40"}
    expect:
      - {rule: co2-high, raised: 40 s, priority: medium, cleared: 75 s}
    never: co2-rising
"""
#: On either side of every edge of the rule.
FINE = """\
    animal: cat
    lasts: 3 min
    facts:
      etco2: 40 for 30 s, 55 for 20 s, 56 for 40 s, 52 for 10 s, 51
      breath.overdue: 0.4 for 50 s, 2 for 15 s, 1.9
    expect:
      - {rule: co2-high, raised: 75 s, priority: medium, cleared: 105 s}
    never: co2-rising
"""


def noticed(one: Scenario) -> dict[int, Mutant]:
    noticing = Noticing(one, ran(one), judge(), Engines())
    assert noticing.usable
    found = set(noticing.noticed(mutants(rule_set())))
    return {mutant.number: mutant for mutant in mutants(rule_set()) if mutant.number in found}


@pytest.mark.parametrize("body", [COARSE, FINE])
def test_it_is_what_a_run_with_the_changed_rules_says(body: str) -> None:
    one = scenario(body)
    assert isinstance(one.timeline, Facts)
    failing = set()
    for mutant in mutants(rule_set()):
        result = run_facts(one, one.timeline, judge(mutant.rule_set))
        if not all(verdict.met for verdict in verdicts(one, result)):
            failing.add(mutant.number)
    assert set(noticed(one)) == failing
    assert 0 < len(failing) < len(list(mutants(rule_set())))


def test_edges_notice_what_a_coarse_scenario_does_not() -> None:
    moved = {m.words for m in noticed(scenario(FINE)).values() if m.kind == "threshold"}
    assert "60.5 mm[Hg] for 55 (every patient)" in moved
    assert "49.5 mm[Hg] for 55 (every patient)" in moved
    coarse = {m.words for m in noticed(scenario(COARSE)).values() if m.kind == "threshold"}
    assert not coarse & moved
    assert not any("birds" in words for words in moved), "there is no bird in it"


def test_a_scenario_that_fails_anyway_is_of_no_use() -> None:
    one = scenario(COARSE.replace("raised: 40 s", "raised: 60 s"))
    assert not Noticing(one, ran(one), judge(), Engines()).usable


def test_what_is_proposed_passes_and_notices_nearly_all() -> None:
    healthy = read_scenarios({"a.yaml": CAT}, RULE_IDS).animals["cat"]
    facts = {name: series.at(0.0) for name, series in healthy.items()}
    every = {mutant.number: mutant for mutant in mutants(rule_set())}
    made = list(proposals(every.values(), judge(), facts))
    assert {one.about for one in made} == {"edges", "limits", "explained"}
    for proposal in made:
        timeline = proposal.scenario.timeline
        assert isinstance(timeline, Facts)
        result = run_facts(proposal.scenario, timeline, judge())
        assert all(verdict.met for verdict in verdicts(proposal.scenario, result))
        for number in proposal.notices:
            changed = run_facts(proposal.scenario, timeline, judge(every[number].rule_set))
            assert not all(verdict.met for verdict in verdicts(proposal.scenario, changed))
    left = every.keys() - frozenset().union(*(one.notices for one in made))
    assert len(left) <= 0.06 * len(every), [every[number].words for number in left]


def test_what_is_proposed_reads_back_as_it_is() -> None:
    healthy = read_scenarios({"a.yaml": CAT}, RULE_IDS).animals["cat"]
    facts = {name: series.at(0.0) for name, series in healthy.items()}
    made = [one.scenario for one in proposals(mutants(rule_set()), judge(), facts)]
    text = CAT + "scenarios:\n" + "".join(written(one, "cat", healthy) for one in made)
    read = read_scenarios({"a.yaml": text}, RULE_IDS).scenarios
    assert [one.name for one in read] == [one.name for one in made]
    for one, again in zip(made, read, strict=True):
        assert (again.animal, again.lasts_s, again.tolerance_s) == (
            one.animal,
            one.lasts_s,
            one.tolerance_s,
        )
        assert written(again, "cat", healthy) == written(one, "cat", healthy)
        assert [e.raised for e in again.expects] == [e.raised for e in one.expects]
