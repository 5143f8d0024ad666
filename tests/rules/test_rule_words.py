"""The parts of a rule in words, and the group that it is written in."""

from __future__ import annotations

import pytest

from adapters.rule_files import load_rules
from rules.rule_words import template_words

LIBRARY = load_rules("small-animal-ventilation@2.1.0").rule_set


def test_a_template_says_what_will_stand_in_each_field() -> None:
    words = template_words("For {held} {spo2} (limit {limit spo2_low}, {source spo2_low}).")
    assert words == (
        "For [how long it has held] [pulse oximeter saturation] (limit [spo2_low], "
        "[how sure spo2_low is])."
    )
    assert template_words("Nothing to fill in.") == "Nothing to fill in."


@pytest.mark.parametrize(
    ("rule", "group"), [("airway-narrowing", "airway"), ("spo2-low", "oxygen")]
)
def test_each_rule_knows_the_group_that_it_is_written_in(rule: str, group: str) -> None:
    assert LIBRARY.groups[rule] == group
    assert LIBRARY.groups.keys() == LIBRARY.by_id.keys()
