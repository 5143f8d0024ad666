"""A small rule set and scenarios of it, run on facts."""

from __future__ import annotations

from typing import Final

from rules.engine import build_engine
from rules.loading import load_rule_set
from rules.model import RuleSet
from service.judge import Judge
from service.rehearsal.reading import ScenarioError, read_scenarios
from service.rehearsal.running import Ran, run_facts
from service.rehearsal.scenario import Facts, Scenario
from service.rehearsal.verdicts import Verdict, verdicts

ABOUT: Final = """\
name: test-set
version: 0.1.0
title: A rule set for tests
summary: CO2
caution: for tests only
"""
LIMITS: Final = """\
limits:
  etco2_high:
    meaning: end-tidal CO2 above which ventilation should be reconsidered
    unit: mm[Hg]
    values:
      - value: 55
        since: 2026-11-25
        source: {ref: "a paper", confidence: published}
      - value: 45
        where: {class: bird}
        since: 2026-11-25
        source: {ref: "another", confidence: published}
"""
RULES: Final = """\
rules:
  - id: co2-high
    title: CO2 is high
    only_in: {mode: [controlled]}
    when: {all: [{fact: etco2, above: limit etco2_high}, {fact: breath.overdue, below: 2}]}
    for: 10 s
    clears: {all: [{fact: etco2, below: limit etco2_high, less: "3 mm[Hg]"}]}
    clears_for: 5 s
    remind: {raised: 60 s}
    harm: reversible injury
    onset: prompt
    cause: hypoventilation
    outranks: [co2-rising]
    says: "CO2 is {etco2}: is the chest moving?"
    because: "CO2 was {etco2}."
    look_at: ["The chest."]
    source: {ref: "a paper", confidence: published}
  - id: co2-rising
    title: CO2 rises
    when: {fact: etco2.slope_5min, above: "2 mm[Hg]/min"}
    for: 4 s
    harm: minor injury or discomfort
    onset: delayed
    cause: hypoventilation
    says: "CO2 rises."
    because: "It rises by {etco2.slope_5min}."
    look_at: ["The chest."]
    source: {ref: "a paper", confidence: published}
"""
FILES: Final = {"rule-set.yaml": ABOUT, "limits.yaml": LIMITS, "rules.yaml": RULES}
RULE_IDS: Final = ("co2-high", "co2-rising")

CAT: Final = """\
animals:
  cat:
    patient: {species: cat, mass: 3 kg}
    facts: {settings.mode: controlled, etco2: 40, etco2.slope_5min: 0, breath.overdue: 0.4}
"""
#: Raised at 40 s, cleared at 105 s.
WARM_UP: Final = """\
    animal: cat
    lasts: 3 min
    facts: {etco2: "40 for 30 s, 60 for 70 s, 45"}
"""


def rule_set(**changed: str) -> RuleSet:
    """The rule set, with pieces of its text (old=new) replaced by name of file."""
    return load_rule_set({**FILES, **{f"{name}.yaml": text for name, text in changed.items()}})


def judge(rules: RuleSet | None = None) -> Judge:
    """A judge of these rules."""
    rules = rules or rule_set()
    return Judge(rules, build_engine(rules, "plain"))


def scenario(body: str, name: str = "one") -> Scenario:
    """One scenario with this body, read from a file that also holds the cat."""
    text = f"{CAT}scenarios:\n  - scenario: {name}\n{body}"
    return read_scenarios({"some.yaml": text}, RULE_IDS).scenarios[0]


def problems(text: str) -> list[str]:
    """What is wrong with a scenario file; the test fails when nothing is."""
    try:
        read_scenarios({"some.yaml": text}, RULE_IDS)
    except ScenarioError as error:
        return [str(problem) for problem in error.problems]
    raise AssertionError("nothing is wrong with it")


def ran(one: Scenario, rules: RuleSet | None = None) -> Ran:
    """What comes of a scenario of facts."""
    assert isinstance(one.timeline, Facts)
    return run_facts(one, one.timeline, judge(rules))


def checked(body: str, rules: RuleSet | None = None) -> list[Verdict]:
    """The verdicts on a scenario with this body."""
    one = scenario(body)
    return verdicts(one, ran(one, rules))


def against(body: str, rules: RuleSet | None = None) -> list[str]:
    """What is not as expected: what was asked, and what came."""
    return [f"{one.asks}: {one.why}" for one in checked(body, rules) if not one.met]
