"""What a finding may come from: the order of the causes, and the words for each."""

from __future__ import annotations

from dataclasses import replace

import pytest
from texts_full import FULL

from rules.differential import Moment, Weighed, weigh
from rules.limits import PatientContext
from rules.loading import load_rule_set
from rules.model import RuleSet

RULE_SET = load_rule_set(FULL)
LIMITS = RULE_SET.limits.resolve(PatientContext("mammal"))


def _weigh(facts: dict[str, float], rule_set: RuleSet = RULE_SET) -> list[Weighed]:
    known = Moment(facts, LIMITS, {"spo2": "the probe is off"})
    return weigh(rule_set.rule("etco2-high"), rule_set.causes, known)


def _order(facts: dict[str, float]) -> list[str]:
    return [weighed.cause for weighed in _weigh(facts)]


@pytest.mark.parametrize(
    ("facts", "order"),
    [
        # Nothing known: the cause that the rule itself names.
        ({}, ["hypoventilation", "tube-kinked"]),
        ({"etco2": 60.0}, ["hypoventilation", "tube-kinked"]),
        ({"ti.ratio_to_baseline": 0.5}, ["tube-kinked", "hypoventilation"]),
        # One sign each: equal, so again the one that is named.
        ({"etco2": 60.0, "ti.ratio_to_baseline": 0.5}, ["hypoventilation", "tube-kinked"]),
        # One for and one against are as good as none.
        ({"ti.ratio_to_baseline": 0.5, "spo2": 99.0}, ["hypoventilation", "tube-kinked"]),
        ({"spo2": 99.0, "etco2": 40.0}, ["hypoventilation", "tube-kinked"]),
    ],
)
def test_the_most_that_fits_less_what_speaks_against_comes_first(
    facts: dict[str, float], order: list[str]
) -> None:
    assert _order(facts) == order


def test_the_words() -> None:
    hypoventilation, tube = _weigh({"etco2": 60.4, "ti.ratio_to_baseline": 0.52, "spo2": 99.0})
    assert hypoventilation == Weighed(
        cause="hypoventilation",
        title="Too little ventilation",
        look="Count the breaths.",
        fits=("CO2 is 60 mmHg, limit 55 mmHg",),
        against=(),
        open=0,
    )
    assert tube.fits == ("inspiration is 0.52 of usual, under 0.7",)
    assert tube.against == ("saturation is 99 %",)
    assert (hypoventilation.balance, tube.balance) == (1, 0)


def test_what_is_not_known_speaks_neither_for_nor_against() -> None:
    by_cause = {weighed.cause: weighed for weighed in _weigh({})}
    assert by_cause["tube-kinked"].open == 2
    assert by_cause["hypoventilation"].open == 1
    assert all(weighed.fits == weighed.against == () for weighed in by_cause.values())


def test_a_limit_without_a_value_leaves_the_sign_open() -> None:
    reptile = RULE_SET.limits.resolve(PatientContext("reptile"))
    known = Moment({"etco2": 60.0}, reptile, {})
    first = weigh(RULE_SET.rule("etco2-high"), RULE_SET.causes, known)[0]
    assert (first.fits, first.open) == ((), 1)


def test_the_cause_of_the_rule_is_weighed_though_may_be_does_not_name_it() -> None:
    rule = RULE_SET.rule("spo2-low")
    known = Moment({}, LIMITS, {})
    assert [one.cause for one in weigh(rule, RULE_SET.causes, known)] == ["mask-leaks"]
    more = replace(rule, may_be=("tube-kinked",))
    assert [one.cause for one in weigh(more, RULE_SET.causes, known)] == [
        "mask-leaks",
        "tube-kinked",
    ]


def test_nothing_where_no_causes_are_described() -> None:
    assert _weigh({"etco2": 60.0}, replace(RULE_SET, causes={})) == []
