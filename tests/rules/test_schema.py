"""The schemas for editors: they take what loads, and refuse what they can see to be wrong."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator
from mistakes import Mistake
from schema_check import complaints
from test_loading_causes import MISTAKES as CAUSE_MISTAKES
from test_loading_errors import LIMIT_MISTAKES, RULE_MISTAKES
from test_loading_life import MISTAKES as LIFE_MISTAKES
from test_loading_parameters import MISTAKES as PARAMETER_MISTAKES
from test_site_rules import MISTAKES as SITE_MISTAKES
from texts import ABOUT, FILES, LIMITS, RULES
from texts_full import FULL, OWN, SITE

from rules.schema import schemas
from rules.vocabulary import CATALOGUE

LIBRARY = Path(__file__).parents[2] / "rules" / "library"
RELEASED = sorted(LIBRARY.glob("*/*/*.yaml"))

UNSEEN: Mapping[str, str] = {
    "a name that stands elsewhere: a schema sees one file, and no text between braces": (
        r"is not a (limit|parameter|cause|rule)( of |;|$)|names (limit|parameter)|which is not a "
        r"fact|already used|in a circle|the parent is said to be"
    ),
    "what a unit is, and what it measures": (
        r"cannot be (converted|compared)|is not a UCUM code|lacks its unit|keep that"
    ),
    "how great a number is, or a priority, or which day there is": (
        r"outside what|too large a number|is not between|lower (end|bound) comes first|"
        r"changes nothing|hold for the same patients|expected a day"
    ),
    "what a text in braces means in its place": r"has no meaning here",
    "how a value is written in YAML, which the schema is given read": (
        r"anchors and aliases|expected a name as key|is not used|a number without a unit"
    ),
}
"""What a schema cannot see of the mistakes that the loader reports, by the loader's words."""


@pytest.mark.parametrize("name", schemas())
def test_each_schema_is_one(name: str) -> None:
    schema = schemas()[name]
    assert schema["$schema"] == Draft202012Validator.META_SCHEMA["$id"]
    Draft202012Validator.check_schema(schema)


@pytest.mark.parametrize("path", RELEASED, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_every_file_of_the_library_is_valid(path: Path) -> None:
    assert complaints(path.name, path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize("files", [FILES, FULL, OWN], ids=["small", "every key", "a site's own"])
def test_what_loads_is_valid(files: Mapping[str, str]) -> None:
    assert [found for name, text in files.items() for found in complaints(name, text)] == []


def _mistakes() -> Iterator[tuple[str, str, str]]:
    """File, its text with a mistake in it, and what the loader says."""
    for file, text, found in (
        ("co2.yaml", RULES, RULE_MISTAKES),
        ("limits.yaml", LIMITS, LIMIT_MISTAKES),
    ):
        for right, wrong, _, _, words in found:
            yield file, text.replace(right, wrong, 1), "; ".join(words)
    for files, mistakes in (
        (FULL, [*LIFE_MISTAKES, *CAUSE_MISTAKES, *PARAMETER_MISTAKES]),
        (SITE, SITE_MISTAKES),
    ):
        for mistake in mistakes:
            assert isinstance(mistake, Mistake)
            yield mistake.file, mistake.written(files)[mistake.file], "; ".join(mistake.words)


ALL_MISTAKES = list(_mistakes())


def _why_unseen(words: str) -> str | None:
    return next((why for why, said in UNSEEN.items() if re.search(said, words)), None)


@pytest.mark.parametrize("mistake", ALL_MISTAKES, ids=lambda mistake: mistake[2][:60])
def test_a_mistake_is_refused_unless_a_schema_cannot_see_it(mistake: tuple[str, str, str]) -> None:
    file, text, words = mistake
    assert complaints(file, text) or _why_unseen(words), text


def test_most_mistakes_are_seen_while_one_writes() -> None:
    """And each reason for not seeing one is met: none is an excuse kept for later."""
    unseen = [words for file, text, words in ALL_MISTAKES if not complaints(file, text)]
    assert len(unseen) < 0.5 * len(ALL_MISTAKES)
    assert {_why_unseen(words) for words in unseen} == set(UNSEEN)


@pytest.mark.parametrize("key", ["name", "version", "title", "summary", "caution"])
def test_a_rule_set_says_what_it_is(key: str) -> None:
    lines = [line for line in ABOUT.splitlines(keepends=True) if not line.startswith(key)]
    assert complaints("rule-set.yaml", "".join(lines))


def test_every_fact_can_be_completed_with_its_meaning_and_unit() -> None:
    facts = schemas()["rules"]["$defs"]["fact"]
    offered = dict(zip(facts["enum"], facts["enumDescriptions"], strict=True))
    assert offered.keys() == CATALOGUE.keys()
    assert offered["etco2"] == f"{CATALOGUE['etco2'].meaning}, in mm[Hg]"
    assert all(CATALOGUE[name].meaning in words for name, words in offered.items())
