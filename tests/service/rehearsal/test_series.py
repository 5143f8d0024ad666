"""Values over time: what is written is what is at each moment."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from ruamel.yaml import YAML

from rules.reading import Problem, Reader
from rules.vocabulary import CATALOGUE
from service.rehearsal.series import Series, read_series
from service.rehearsal.writing import series_text


def read(text: str, fact: str = "spo2") -> tuple[Series | None, list[Problem]]:
    reader = Reader("some.yaml")
    node = YAML(typ="safe", pure=True).compose(f"- {text}").value[0]
    return read_series(node, CATALOGUE[fact], reader), reader.problems


@pytest.mark.parametrize(
    ("text", "fact", "at"),
    [
        ("98", "spo2", {0: 98.0, 1e6: 98.0}),
        ("98 for 30 s, 85", "spo2", {0: 98.0, 29.9: 98.0, 30: 85.0, 900: 85.0}),
        ("98 for 1 min, 85 for 0.5 min, 90", "spo2", {59: 98.0, 60: 85.0, 89: 85.0, 90: 90.0}),
        ("98 for 10 s, to 88 over 20 s", "spo2", {10: 98.0, 20: 93.0, 30: 88.0, 99: 88.0}),
        ("unknown for 5 s, 90", "spo2", {4.9: None, 5: 90.0}),
        ("true for 5 s, false", "spo2.doubtful", {0: True, 5: False}),
        ("controlled for 5 s, standby", "settings.mode", {0: "controlled", 5: "standby"}),
        # NIST SP 811: 1 kPa is 7.500 617 mmHg.
        ("8 kPa", "etco2", {0: pytest.approx(60.005, abs=0.001)}),
        ("-1.5 for 5 s, +2", "etco2.slope_5min", {0: -1.5, 5: 2.0}),
    ],
)
def test_what_is_written_is_what_is(text: str, fact: str, at: dict[float, object]) -> None:
    series, problems = read(text, fact)
    assert series is not None, problems
    assert {at_s: series.at(at_s) for at_s in at} == at


def test_it_turns_where_a_value_changes_and_each_second_while_it_moves() -> None:
    series, _ = read("98 for 10 s, to 95 over 3 s, 95 for 7 s, unknown")
    assert series is not None
    assert sorted(set(series.turns())) == [0, 10, 11, 12, 13, 20]


@pytest.mark.parametrize(
    ("text", "fact", "words"),
    [
        ("98, 85", "spo2", '"98" lacks how long it lasts'),
        ("to 85 over 20 s", "spo2", "moves from a number before it"),
        ("98 for 10 s, 85 over 20 s", "spo2", 'one that moves "to 88 over 30 s"'),
        ("98 for 10 s, to 85 for 20 s", "spo2", 'a value that stands lasts "98 for 30 s"'),
        ("98 for ten s", "spo2", "expected a number and a unit"),
        ("98 for 10", "spo2", "lacks its unit"),
        ("98 for 10 kg, 5", "spo2", "cannot be converted"),
        ("98 for -5 s, 4", "spo2", "not negative"),
        ("120", "spo2", "spo2 is from 0 to 100 %"),
        ("ninety", "spo2", "expected a number"),
        ("5 s", "spo2", "cannot be converted"),
        ("yes", "spo2.doubtful", "is true, false or unknown"),
        ("controled", "settings.mode", 'did you mean "controlled"?'),
        ("[1, 2]", "spo2", "expected values of spo2 over time, found a list"),
        ("true for 5 s, to false over 5 s", "spo2.doubtful", "moves from a number"),
    ],
)
def test_a_mistake_is_named(text: str, fact: str, words: str) -> None:
    series, problems = read(text, fact)
    assert series is None
    assert [problem.message for problem in problems if words in problem.message], problems


VALUES = st.floats(0, 100).map(lambda value: round(value, 3)) | st.none()


@given(st.lists(st.tuples(VALUES, st.integers(1, 600)), min_size=1, max_size=6), VALUES)
def test_what_is_written_reads_back(parts: list[tuple[float | None, int]], last: object) -> None:
    words = ["unknown" if value is None else f"{value:g}" for value, _ in parts]
    text = ", ".join(f"{w} for {s} s" for w, (_, s) in zip(words, parts, strict=True))
    series, problems = read(f"{text}, {'unknown' if last is None else f'{last:g}'}")
    assert series is not None, problems
    again, _ = read(series_text(series))
    assert again == series
