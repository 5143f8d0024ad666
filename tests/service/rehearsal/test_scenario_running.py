"""Facts, messages and the same looks judged again say the same of a scenario."""

from __future__ import annotations

from dataclasses import replace

import pytest
from rehearsal_stage import RULE_IDS, RULES, WARM_UP, judge, ran, rule_set, scenario

from rules.engine import build_engine
from rules.model import RuleSet
from service.rehearsal.given import arrivals_of
from service.rehearsal.looks import looks_at
from service.rehearsal.reading import read_scenarios
from service.rehearsal.running import Ran, event_s, run_looks, run_messages
from service.rehearsal.scenario import Facts, Readings, Scenario
from service.rehearsal.verdicts import verdicts

READINGS = """\
scenarios:
  - scenario: one
    patient: {species: pigeon, mass: 0.35 kg}
    lasts: 3 min
    readings:
      etco2: 40 for 30 s, 60 for 70 s, unknown for 20 s, 40
      mode: controlled
      te_set: 2
      pip_target: 8
      fresh_gas_flow: 1500
      supply: battery
      charge: 80 for 60 s, 70
      phase: maintenance for 90 s, weaning
    asked: [{at: 50 s, acknowledge: co2-high}]
    never: co2-rising
"""


def co2_alone() -> RuleSet:
    """Without a pressure line nothing is known of breaths: they are not asked for."""
    breaths = ", {fact: breath.overdue, below: 2}"
    assert breaths in RULES
    return rule_set(rules=RULES.replace(breaths, ""))


def said(result: Ran) -> list[tuple[str, str, float]]:
    return [(e.advisory.rule, e.kind, round(event_s(e), 1)) for e in result.events]


def test_facts_are_looked_at_when_they_change_and_what_falls_due_comes_on_time() -> None:
    result = ran(scenario(WARM_UP + "    never: co2-rising\n"))
    assert said(result) == [
        ("co2-high", "raised", 40.0),
        ("co2-high", "reminded", 100.0),
        ("co2-high", "cleared", 105.0),
    ]
    assert [round(look.at_s) for look in result.looks] == [0, 30, 40, 100, 105, 180]


def test_more_looks_change_nothing() -> None:
    one = scenario(WARM_UP + "    never: co2-rising\n")
    assert isinstance(one.timeline, Facts)
    wanted = judge().wanted
    few = list(looks_at(one, one.timeline, wanted))
    turns = {look.now_ms: look for look in few}
    many = []
    for second in range(181):
        now_ms = few[0].now_ms + 1000 * second
        last = turns[max(at_ms for at_ms in turns if at_ms <= now_ms)]
        many.append(last.again(now_ms))
    assert said(run_looks(many, judge())) == said(run_looks(few, judge()))


def from_readings() -> tuple[Scenario, Ran]:
    one = read_scenarios({"some.yaml": READINGS}, RULE_IDS).scenarios[0]
    assert isinstance(one.timeline, Readings)
    rules = co2_alone()
    arrivals = arrivals_of(one, one.timeline)
    return one, run_messages(one, arrivals, rules, build_engine(rules, "plain"))


def test_readings_reach_the_watch_as_a_monitor_would_send_them() -> None:
    _, result = from_readings()
    assert result.faults == []
    facts = {round(look.at_s): look.facts.values for look in result.looks}
    assert facts[20]["etco2"] == 40.0
    assert facts[20]["settings.te_set"] == 2.0
    assert (facts[20]["patient.species"], facts[20]["patient.mass"]) == ("pigeon", 0.35)
    assert (facts[80]["patient.phase"], facts[100]["patient.phase"]) == ("maintenance", "weaning")
    assert facts[100]["battery.charge"] == 70.0
    assert "etco2" not in facts[115]
    # A bird's limit is 45, and 60 stands for 10 s at 40 s.
    assert said(result)[0] == ("co2-high", "raised", pytest.approx(40.0, abs=1.0))
    assert ("co2-high", "acknowledged") in [(rule, kind) for rule, kind, _ in said(result)]


def test_the_same_looks_judged_again_say_the_same() -> None:
    one, live = from_readings()
    again = run_looks(live.looks, judge(co2_alone()), one.asked)
    assert [(rule, kind) for rule, kind, _ in said(again)] == [
        (rule, kind) for rule, kind, _ in said(live)
    ]
    assert [at_s for *_, at_s in said(again)] == pytest.approx(
        [at_s for *_, at_s in said(live)], abs=1.0
    )


def test_what_is_asked_in_vain_is_told_also_live() -> None:
    one, _ = from_readings()
    assert isinstance(one.timeline, Readings)
    early = replace(one, asked=(replace(one.asked[0], at_s=10.0),))
    rules = rule_set()
    result = run_messages(early, arrivals_of(one, one.timeline), rules, build_engine(rules))
    assert [reason for _, reason in result.unmet] == ["no advisory of co2-high stands"]
    pause = replace(one.asked[0], action="pause", rule=None, minutes=30.0, reason="lunch")
    result = run_messages(
        replace(one, asked=(pause,)), arrivals_of(one, one.timeline), rules, build_engine(rules)
    )
    assert [reason for _, reason in result.unmet] == ["minutes: more than 0 and at most 10, not 30"]


def test_a_message_that_is_refused_is_a_fault_of_the_scenario() -> None:
    one, _ = from_readings()
    assert isinstance(one.timeline, Readings)
    arrivals = arrivals_of(one, one.timeline)
    arrivals[5] = replace(arrivals[5], payload=b"{}")
    rules = rule_set()
    result = run_messages(one, arrivals, rules, build_engine(rules))
    assert len(result.faults) == 1
    assert not all(verdict.met for verdict in verdicts(one, result))
