"""A slip of the pen in a rule file is told with what has mostly happened."""

from __future__ import annotations

import pytest

from rules.reading import Reader, nearest


@pytest.mark.parametrize(
    ("text", "line", "hint"),
    [
        ("rules:\n\t- id: x\n", 2, "indent with spaces, not with tabs"),
        ("rules:\n  - id: x\n   title: y\n", 3, "begin in the same column"),
        ("rules:\n  - id: x\n  title: y\n", 3, "begin in the same column"),
        ("says: {spo2} is low\n", 1, "a text that begins with { needs quotes"),
        ('says: "low\n', 2, "a quote that was opened is not closed"),
        ("id: x\ntitle CO2\n", 3, "a key ends with a colon and a space"),
        ("title CO2\nwhen: 1\n", 2, "the line before lacks its colon"),
        ("title: CO2: high\n", 1, 'a text with ": " in it needs quotes'),
        ("when: {fact: spo2\nfor: 5 s\n", 2, "a bracket that was opened is not closed"),
        ("less: {more: 3 mm[Hg]}\n", 1, "a unit with brackets needs quotes"),
    ],
)
def test_a_slip_is_told_with_what_has_mostly_happened(text: str, line: int, hint: str) -> None:
    reader = Reader("co2.yaml")
    assert reader.document(text) is None
    (problem,) = reader.problems
    assert problem.line == line
    assert problem.message.startswith("not YAML: ")
    assert hint in problem.message


def test_where_only_one_name_is_known_it_is_said_alone() -> None:
    assert nearest("limits", ["rules"]) == '; expected "rules"'
    assert nearest("x", ["all", "any"]) == "; expected one of all, any"
