"""Rule sets by name from the library, or from a folder; what is not there is told with what is."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import pytest

from adapters.rule_files import DEFAULT_RULES, RuleFilesError, library, load_rules
from rules.loading import RuleSetError

RULE_SET = """\
name: local-rules
version: 1.2.3
title: Local
summary: One rule
caution: for tests only
"""
RULES = """\
rules:
  - id: spo2-low
    title: Saturation is low
    when: {fact: spo2, below: 90 %}
    harm: reversible injury
    onset: immediate
    cause: hypoxaemia
    says: "Saturation is {spo2}."
    because: "Saturation is {spo2}."
    source: {ref: "a textbook", confidence: published}
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder that holds a good rule set."""
    (tmp_path / "rule-set.yaml").write_text(RULE_SET, encoding="utf-8")
    (tmp_path / "rules.yaml").write_text(RULES, encoding="utf-8")
    return tmp_path


def test_the_default_is_in_the_library() -> None:
    assert DEFAULT_RULES in library()


@pytest.mark.parametrize("spec", library())
def test_every_rule_set_of_the_library_bears_the_name_of_its_folder(spec: str) -> None:
    loaded = load_rules(spec)
    assert loaded.rule_set.spec == spec
    assert loaded.rule_set.rules


def test_the_files_are_given_as_they_are() -> None:
    loaded = load_rules(DEFAULT_RULES)
    name, _, version = DEFAULT_RULES.partition("@")
    there = resources.files("rules") / "library" / name / version
    assert set(loaded.files) == {f.name for f in there.iterdir() if f.name.endswith(".yaml")}
    for file, text in loaded.files.items():
        assert text == (there / file).read_text(encoding="utf-8")


def test_a_folder_of_ones_own(folder: Path) -> None:
    loaded = load_rules(str(folder))
    assert (loaded.rule_set.name, loaded.rule_set.version) == ("local-rules", "1.2.3")
    assert [rule.id for rule in loaded.rule_set.rules] == ["spo2-low"]


def test_other_files_in_the_folder_do_not_matter(folder: Path) -> None:
    before = load_rules(str(folder)).rule_set.sha256
    (folder / "notes.txt").write_bytes(b"\xff\xfe not text")
    (folder / "scenarios").mkdir()
    assert load_rules(str(folder)).rule_set.sha256 == before


def test_one_changed_letter_is_another_hash(folder: Path) -> None:
    before = load_rules(str(folder)).rule_set.sha256
    (folder / "rules.yaml").write_text(RULES.replace("textbook", "textBook"), encoding="utf-8")
    assert load_rules(str(folder)).rule_set.sha256 != before


@pytest.mark.parametrize("spec", ["small-animal-ventilation@9.9.9", "unheard-of@0.1.0", "@", "a@"])
def test_a_name_that_is_not_there_is_told_with_those_that_are(spec: str) -> None:
    with pytest.raises(RuleFilesError) as caught:
        load_rules(spec)
    assert repr(spec) in str(caught.value)
    assert DEFAULT_RULES in str(caught.value)


def test_neither_a_name_nor_a_folder(folder: Path) -> None:
    for spec in (str(folder / "missing"), str(folder / "rules.yaml")):
        with pytest.raises(RuleFilesError, match="neither NAME@VERSION nor a folder") as caught:
            load_rules(spec)
        assert DEFAULT_RULES in str(caught.value)


def test_a_file_in_another_encoding_is_told_how_to_save_it(folder: Path) -> None:
    (folder / "rules.yaml").write_bytes(
        RULES.replace("textbook", "t\u00e9xtbook").encode("latin-1")
    )
    with pytest.raises(RuleFilesError, match=r"rules\.yaml: not text in UTF-8; save it as UTF-8"):
        load_rules(str(folder))


def test_a_folder_whose_name_holds_an_at_sign(folder: Path) -> None:
    other = folder / "mine@home"
    other.mkdir()
    for name in ("rule-set.yaml", "rules.yaml"):
        (folder / name).rename(other / name)
    assert load_rules(str(other)).rule_set.name == "local-rules"


def test_a_folder_without_a_rule_set_says_which_file_is_missing(tmp_path: Path) -> None:
    with pytest.raises(RuleSetError, match=r"rule-set\.yaml"):
        load_rules(str(tmp_path))


def test_a_mistake_is_told_with_file_and_line(folder: Path) -> None:
    (folder / "rules.yaml").write_text(RULES.replace("spo2,", "spo3,"), encoding="utf-8")
    with pytest.raises(RuleSetError, match=r"rules\.yaml:4:"):
        load_rules(str(folder))


def test_a_file_that_is_not_text_is_named(folder: Path) -> None:
    (folder / "more.yaml").write_bytes(b"\xff\xfe")
    with pytest.raises(RuleFilesError, match=r"more\.yaml"):
        load_rules(str(folder))


def test_a_folder_named_like_a_rule_file_is_named(folder: Path) -> None:
    (folder / "more.yaml").mkdir()
    with pytest.raises(RuleFilesError, match=r"more\.yaml"):
        load_rules(str(folder))
