"""Causes are read as written, and a rule names only such as are described."""

from __future__ import annotations

import pytest
from mistakes import Mistake, problems, reported, reported_first
from texts import FILES
from texts_full import FULL

from rules.limits import Confidence, Source
from rules.loading import load_rule_set
from rules.model import Comparison, LimitRef, Op, Sign, Value


def test_every_key() -> None:
    rule_set = load_rule_set(FULL)
    assert list(rule_set.causes) == ["tube-kinked", "mask-leaks", "hypoventilation"]
    tube = rule_set.causes["tube-kinked"]
    assert (tube.id, tube.title) == ("tube-kinked", "The tube is kinked")
    assert tube.look == "Follow the tube from the T-piece to the mouth."
    short = Comparison("ti.ratio_to_baseline", Op.BELOW, Value(0.7))
    assert tube.fits == (Sign(short, "inspiration is {ti.ratio_to_baseline} of usual, under 0.7"),)
    assert tube.against == (
        Sign(Comparison("spo2", Op.AT_LEAST, Value(95.0)), "saturation is {spo2}"),
    )
    assert tube.source == Source("a textbook", Confidence.PUBLISHED)
    assert rule_set.rule("etco2-high").may_be == ("tube-kinked", "hypoventilation")
    above = Comparison("etco2", Op.ABOVE, LimitRef("etco2_high"))
    assert rule_set.causes["hypoventilation"].fits[0].when == above


def test_what_may_be_left_out() -> None:
    leak = load_rule_set(FULL).causes["mask-leaks"]
    assert (leak.fits, leak.against, leak.source) == ((), (), None)
    assert load_rule_set(FILES).causes == {}


def test_signs_read_facts_of_their_own() -> None:
    """What only a sign reads or tells is a fact of the rule set too."""
    assert "ti.ratio_to_baseline" in load_rule_set(FULL).facts()


def _in(right: str, wrong: str, at: str, *words: str) -> Mistake:
    return Mistake("causes.yaml", right, wrong, at, words)


MISTAKES = [
    Mistake("co2.yaml", "cause: mask-leaks", "cause: mask-leak", "mask-leak\n",
        ('"mask-leak" is not a cause of causes.yaml', 'did you mean "mask-leaks"?')),
    Mistake("co2.yaml", "may_be: [tube-kinked,", "may_be: [tube-kinke,", "tube-kinke",
        ('"tube-kinke" is not a cause of causes.yaml', 'did you mean "tube-kinked"?')),
    Mistake("co2.yaml", "may_be: [tube-kinked, hypoventilation]", "may_be: tube-kinked",
        "tube-kinked", ("expected a list of causes",)),
    Mistake("co2.yaml", "may_be: [tube-kinked, hypoventilation]", "may_be: []", "[]",
        ("expected at least one of causes",)),
    _in("  mask-leaks:\n", "  mask-leaks: {title: t, look: l}\n  Other one:\n", "Other one",
        '"Other one" is not the id of a cause'),
    _in("    look: Listen at the mask.\n", "", "title: The mask leaks", "a cause lacks look"),
    _in("    look: Listen at the mask.\n", "    look: 3\n", "3", 'expected "look" as text'),
    _in("    against:\n", "    agianst:\n", "agianst", 'did you mean "against"?'),
    _in("below: parameter share", "below: parameter shar", "parameter shar",
        '"shar" is not a parameter', 'did you mean "share"?'),
    _in("above: limit etco2_high", "above: limit etco2_hi", "limit etco2_hi",
        '"etco2_hi" is not a limit', 'did you mean "etco2_high"?'),
    _in("at_least: 95 %", "at_least: 95 s", "95 s", "'s' cannot be converted to '%'"),
    _in('        says: "saturation is {spo2}"\n', "", "when: {fact: spo2", "a sign lacks says"),
    _in("saturation is {spo2}", "saturation is {spo3}", '"saturation',
        '"spo3", which is not a fact'),
    _in("under {parameter share}", "under {parameter shre}", '"inspiration',
        'names parameter "shre"', 'did you mean "share"?'),
    _in("saturation is {spo2}", "for {held}", '"for {held}', '"{held}" has no meaning here'),
    _in("confidence: published", "confidence: sure", "sure", '"sure" is not a confidence'),
]  # fmt: skip


@pytest.mark.parametrize("mistake", MISTAKES, ids=lambda mistake: mistake.wrong.strip()[:50])
def test_mistakes(mistake: Mistake) -> None:
    reported(mistake, FULL)


def test_a_misspelt_key_is_told_beside_what_is_then_missing() -> None:
    right, wrong = "    look: Listen at the mask.\n", "    lok: Listen at the mask.\n"
    words = '"lok" is not a key of a cause', 'did you mean "look"?'
    reported_first(_in(right, wrong, "lok", *words), FULL)


def test_a_cause_with_a_mistake_is_not_reported_again_where_it_is_named() -> None:
    broken = {**FULL, "causes.yaml": FULL["causes.yaml"].replace("look: Listen", "luk: Listen")}
    assert {problem[0] for problem in problems(broken)} == {"causes.yaml"}
    assert {problem[0] for problem in problems({**FULL, "causes.yaml": "causes: ["})} == {
        "causes.yaml"
    }


def test_without_a_file_of_causes_a_cause_is_a_word_of_the_author() -> None:
    assert load_rule_set(FILES).rule("spo2-low").cause == "hypoxaemia"
