"""The review of the library beside its files is that of the files, and owns up to memory."""

from __future__ import annotations

from pathlib import Path

import pytest

from adapters.rule_files import load_rules
from rules.limits import Confidence
from rules.review import review
from rules.vocabulary import CATALOGUE

SPEC = "small-animal-ventilation@2.1.0"
FILE = Path(__file__).parents[2] / "rules/library/small-animal-ventilation/2.1.0/SOURCES.md"


def test_the_review_is_up_to_date() -> None:
    # Write it anew with: tidewarden rules review --out FILE
    assert FILE.read_text("utf-8") == review(load_rules(SPEC).rule_set)


def test_each_fact_names_itself() -> None:
    """In a clause it stands alone: words that point at another fact mean nothing there."""
    meanings = [fact.meaning for fact in CATALOGUE.values()]
    assert len(set(meanings)) == len(meanings)
    for meaning in meanings:
        words = f" {meaning} "
        for pointing in (" it has ", " that run", " that is, ", " that estimate", " that share"):
            assert pointing not in words, meaning
        assert not words.startswith((" that ", " those ")), meaning


def test_every_rule_limit_parameter_and_cause_is_in_it() -> None:
    rule_set, text = load_rules(SPEC).rule_set, review(load_rules(SPEC).rule_set)
    names = [rule.id for rule in rule_set.rules]
    names += [*rule_set.limits.limits, *rule_set.parameters, *rule_set.causes]
    assert all(f"| {name} |" in text for name in names)


@pytest.mark.parametrize("name", ["spo2-very-low", "volume-falling-silently"])
def test_what_rests_on_memory_is_marked(name: str) -> None:
    rule_set = load_rules(SPEC).rule_set
    line = next(li for li in review(rule_set).splitlines() if li.startswith(f"| {name} |"))
    from_memory = rule_set.rule(name).source.confidence is Confidence.MEMORY
    assert ("from memory - approve locally" in line) == from_memory


def test_a_source_that_says_from_memory_is_not_called_published() -> None:
    rule_set = load_rules(SPEC).rule_set
    sources = {rule.id: rule.source for rule in rule_set.rules}
    for name, limit in rule_set.limits.limits.items():
        sources |= {f"{name} {value.where}": value.source for value in limit.entries}
    said = [name for name, source in sources.items() if "from memory" in source.ref]
    assert len(said) > 10
    assert not [name for name in said if sources[name].confidence is Confidence.PUBLISHED]
