"""Needs, latch, remind, escalate and again are read as written."""

from __future__ import annotations

import pytest
from mistakes import Mistake, reported
from texts import FILES
from texts_full import FULL, RULES

from rules.loading import load_rule_set
from rules.model import AGAIN_S, Comparison, Escalation, Group, Op, Remind, Rule, Unknown, Value
from rules.priority import Harm, Onset, Priority


def _rule(right: str = "", wrong: str = "") -> Rule:
    assert right in RULES
    files = {**FULL, "co2.yaml": RULES.replace(right, wrong, 1)}
    return load_rule_set(files).rule("etco2-high")


def test_every_key() -> None:
    rule = _rule()
    assert rule.needs == Group(
        "all",
        (Group("none", (Unknown("etco2"),)), Comparison("breath.since", Op.BELOW, Value(20.0))),
    )
    assert (rule.for_s, rule.clears_for_s, rule.again_s) == (20.0, 5.0, 180.0)
    assert rule.latch is True
    assert rule.remind == Remind(raised_s=60.0, acknowledged_s=300.0)
    worse = Comparison("spo2", Op.BELOW, Value(85.0))
    assert rule.escalate == Escalation(Harm.DEATH, Onset.IMMEDIATE, 30.0, worse)
    assert (rule.priority, rule.escalate.priority) == (Priority.MEDIUM, Priority.HIGH)
    assert {"etco2", "breath.since", "spo2"} <= rule.facts()


def test_what_may_be_left_out() -> None:
    rule = load_rule_set(FILES).rule("spo2-low")
    assert (rule.needs, rule.latch, rule.escalate) == (None, False, None)
    assert rule.remind == Remind(None, None)
    assert rule.again_s == AGAIN_S == 120.0
    assert rule.may_be == ()


def test_escalation_by_standing_alone_and_at_once() -> None:
    standing = _rule("      when: {fact: spo2, below: 85 %}\n")
    assert standing.escalate is not None
    assert (standing.escalate.when, standing.escalate.for_s) == (None, 30.0)
    at_once = _rule("      for: 30 s\n")
    assert at_once.escalate is not None
    assert at_once.escalate.for_s == 0.0


def test_one_reminder_alone_and_never_intermittent() -> None:
    assert _rule(", acknowledged: 5 min").remind == Remind(60.0, None)
    assert _rule("raised: 60 s, ").remind == Remind(None, 300.0)
    assert _rule("again: 3 min", "again: 0").again_s == 0.0


def _in(right: str, wrong: str, at: str, *words: str) -> Mistake:
    return Mistake("co2.yaml", right, wrong, at, words)


_ESCALATE = RULES[RULES.index("    escalate:\n") : RULES.index("    harm: reversible")]

MISTAKES = [
    _in("      - etco2\n", "      - etco\n", "etco\n",
        '"etco" is not a fact', 'did you mean "etco2"?'),
    _in("      - etco2\n", "      - [etco2]\n", "[etco2]", "expected a condition", "a list"),
    _in("below: parameter settle}", "below: parameter setle}", "parameter setle",
        '"setle" is not a parameter', 'did you mean "settle"?'),
    _in("below: parameter settle}", "below: parameter gap}", "parameter gap",
        "'mm[Hg]' cannot be converted to 's'"),
    _in("below: parameter settle}", "below: parameter}", "parameter}",
        'expected "parameter" and one name'),
    _in("below: parameter settle}", "below: 20}", "20}", '"20" lacks its unit'),
    _in("    for: parameter settle\n", "    for: parameter share\n", "parameter share",
        "unit '1' cannot be converted to 's'"),
    _in("    for: parameter settle\n", "    for: 7 kPa\n", "7 kPa",
        "'kPa' cannot be converted to 's'"),
    _in("    for: parameter settle\n", "    for: 1__0\n", "1__0",
        '"1__0" is not used in rule sets'),
    _in("less: parameter gap}", "less: parameter settle}", "parameter settle}",
        "'s' cannot be converted to 'mm[Hg]'"),
    _in("again: 3 min", "again: 180", "180", 'expected a time such as "10 s", found "180"'),
    _in("again: 3 min", "agin: 3 min", "agin", 'did you mean "again"?'),
    _in("latch: true", "latch: yes, please", "yes, please", "expected true or false"),
    _in("latch: true", 'latch: "true"', '"true"', "expected true or false"),
    _in("raised: 60 s", "rised: 60 s", "rised", '"rised" is not a key of "remind"', '"raised"'),
    _in("raised: 60 s", "raised: 0", "0,", "more than nothing"),
    _in("raised: 60 s", "raised: 60", "60,", "expected a time"),
    _in("remind: {raised: 60 s, acknowledged: 5 min}", "remind: {}", "{}",
        'expected "remind" with raised, acknowledged or both'),
    _in("remind: {raised: 60 s, acknowledged: 5 min}", "remind: 60 s", "60 s",
        'expected "remind" as keys with values'),
    _in("      harm: death or irreversible injury\n      onset: immediate\n",
        "      harm: reversible injury\n      onset: prompt\n", "harm: reversible",
        "escalating to medium priority changes nothing"),
    _in("      harm: death or irreversible injury\n", "", "onset", '"escalate" lacks harm'),
    _in("      harm: death or irreversible injury\n", "      harm: death\n", "death\n",
        '"death" is not a harm'),
    _in(_ESCALATE, "    escalate: {harm: death or irreversible injury, onset: immediate}\n",
        "{harm", '"escalate" lacks "for" (how long it stood) or "when"'),
    _in("below: 85 %", "below: 85 s", "85 s", "'s' cannot be converted to '%'"),
    _in("      for: 30 s\n", "      for: 30 %\n", "30 %", "'%' cannot be converted to 's'"),
    _in("Judged after {parameter settle};", "Judged after {parameter stle};", '"Judged',
        'names parameter "stle", which is not one', 'did you mean "settle"?'),
]  # fmt: skip


@pytest.mark.parametrize("mistake", MISTAKES, ids=lambda mistake: mistake.wrong.strip()[:50])
def test_mistakes(mistake: Mistake) -> None:
    reported(mistake, FULL)


def test_what_is_needed_counts_in_the_width_of_each_condition() -> None:
    """Eight ways to need times eight to hold are 64: refused where the condition is written."""
    parts = ", ".join(f"{{fact: spo2, below: {50 + i} %}}" for i in range(8))
    needs = RULES.replace("- etco2\n", f"- {{any: [{parts}]}}\n", 1)
    for key, right in (
        ("when", "when: {fact: etco2.min_30s, above: limit etco2_high}"),
        ("clears", "clears: {fact: etco2, below: limit etco2_high, less: parameter gap}"),
    ):
        files = {**FULL, "co2.yaml": needs}
        words = (f'"{key}" with "needs" is too large', "64 ways", "use two rules")
        wide = f"{key}: {{any: [{parts}]}}"
        reported(Mistake("co2.yaml", right, wide, "{any", words), files)
