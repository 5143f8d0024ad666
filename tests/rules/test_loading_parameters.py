"""Parameters are read as written and stand wherever a number or a time may."""

from __future__ import annotations

import pytest
from mistakes import Mistake, problems, reported, reported_first
from texts_full import FULL

from rules.limits import Confidence, Source
from rules.loading import load_rule_set
from rules.model import Comparison, LimitRef, Op
from rules.units import convert


def test_every_key() -> None:
    gap = load_rule_set(FULL).parameters["gap"]
    assert (gap.value, gap.unit, gap.low) == (3.0, "mm[Hg]", 1.0)
    assert gap.high == pytest.approx(convert(1, "kPa", "mm[Hg]"))
    assert gap.meaning == "how far CO2 must fall below its limit"
    assert gap.source == Source("common practice, no source", Confidence.COMMON_PRACTICE)
    assert gap.approved is None
    share = load_rule_set(FULL).parameters["share"]
    assert (share.value, share.unit, share.low, share.high) == (0.7, "1", 0.5, 0.9)


def test_where_a_parameter_stands_its_value_counts() -> None:
    rule = load_rule_set(FULL).rule("etco2-high")
    assert rule.for_s == 20.0
    assert rule.clears == Comparison("etco2", Op.BELOW, LimitRef("etco2_high", -3.0))
    assert rule.because == "Judged after 20 s; it is over 3 mmHg below the limit."


@pytest.mark.parametrize(
    ("written", "seconds", "words"),
    [("90 s", 90.0, "90 s"), ("2 min", 120.0, "2 min"), ("2000 ms", 2.0, "2000 ms")],
)
def test_times_are_converted_where_they_are_used_and_told_as_written(
    written: str, seconds: float, words: str
) -> None:
    text = FULL["parameters.yaml"].replace("value: 20 s", f"value: {written}")
    text = text.replace("10 s to 2 min", "1 s to 10 min")
    rule = load_rule_set({**FULL, "parameters.yaml": text}).rule("etco2-high")
    assert rule.for_s == pytest.approx(seconds)
    assert rule.because.startswith(f"Judged after {words};")


@pytest.mark.parametrize(
    ("place", "read"),
    [
        ("again: 3 min", "again_s"),
        ("clears_for: 5 s", "clears_for_s"),
    ],
)
def test_every_time_of_a_rule_may_be_a_parameter(place: str, read: str) -> None:
    key = place.split(":", maxsplit=1)[0]
    rules = FULL["co2.yaml"].replace(place, f"{key}: parameter settle")
    assert getattr(load_rule_set({**FULL, "co2.yaml": rules}).rule("etco2-high"), read) == 20.0


def test_reminders_and_escalation_take_parameters_too() -> None:
    rules = FULL["co2.yaml"].replace("acknowledged: 5 min", "acknowledged: parameter settle")
    rules = rules.replace("      for: 30 s", "      for: parameter settle")
    rule = load_rule_set({**FULL, "co2.yaml": rules}).rule("etco2-high")
    assert rule.remind.acknowledged_s == 20.0
    assert rule.escalate is not None
    assert rule.escalate.for_s == 20.0


def _in(right: str, wrong: str, at: str, *words: str) -> Mistake:
    return Mistake("parameters.yaml", right, wrong, at, words)


MISTAKES = [
    _in("value: 20 s", "value: 5 s", "5 s", '"5 s" is not between 10 and 120 s'),
    _in("value: 20 s", "value: 20", "10 s to 2", "'s' cannot be converted to '1'"),
    _in("value: 20 s", "value: soon", "soon", 'expected a number and its unit, found "soon"'),
    _in("value: 20 s", "value: 20 sec", "20 sec", "'sec' is not a UCUM code"),
    _in("10 s to 2 min", "10 s", "10 s", 'two bounds such as "10 s to 60 s"'),
    _in("10 s to 2 min", "2 min to 10 s", "2 min", "the lower bound comes first"),
    _in("10 s to 2 min", "10 s to 2 kPa", "10 s", "'kPa' cannot be converted to 's'"),
    _in("    between: 10 s to 2 min\n", "", "meaning: how long", "a parameter lacks between"),
    _in("    between: 10 s to 2 min\n", "    betwen: 10 s to 2 min\n", "betwen",
        'did you mean "between"?'),
    _in("  share:\n", "  Share-of: {}\n  share:\n", "Share-of",
        '"Share-of" is not a parameter name'),
    _in("parameters:\n", "parameter:\n", "parameter:", '"parameter" is not a key'),
]  # fmt: skip


@pytest.mark.parametrize("mistake", MISTAKES, ids=lambda mistake: mistake.wrong.strip()[:50])
def test_mistakes(mistake: Mistake) -> None:
    reported_first(mistake, FULL)


def test_a_parameter_with_a_mistake_is_not_reported_again_where_it_is_used() -> None:
    broken = FULL["parameters.yaml"].replace("value: 20 s", "value: 5 s")
    assert {p[0] for p in problems({**FULL, "parameters.yaml": broken})} == {"parameters.yaml"}
    assert {p[0] for p in problems({**FULL, "parameters.yaml": "parameters: ["})} == {
        "parameters.yaml"
    }


def test_a_value_that_no_reading_can_reach_is_refused_where_it_is_used() -> None:
    text = FULL["parameters.yaml"].replace("value: 0.7", "value: 7000").replace("0.9", "9000")
    found = problems({**FULL, "parameters.yaml": text})
    assert {(p[0], p[1]) for p in found} == {("causes.yaml", 6)}
    assert "outside what ti.ratio_to_baseline can be" in found[0][3]


def test_a_parameter_is_no_limit() -> None:
    reported(
        Mistake("co2.yaml", "above: limit etco2_high", "above: limit settle", "limit settle",
            ('"settle" is not a limit',)),
        FULL,
    )  # fmt: skip
