"""Labels as somebody writes them, and what is said of mistakes in them."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import adapters.backtest
from adapters.backtest.labels import LabelError, labels_for, labels_text, read_labels
from adapters.backtest.sources import Source
from adapters.evaluation.truth_kinds import Kind
from rules.reading import Problem
from service.instants import from_text

BEGINS_MS = from_text("2026-03-02T14:00:00Z")
WHOLE = """\
by: ward vet, from the notes of the night
right_to_within: 10 s
happened:
  - what: [disconnected, leak]
    place: recovery/box-3
    from: 2026-03-02T15:05:10+01:00
    to: 2026-03-02T14:06:40Z
    tell_by: 322 s
    urgent: true
    note: the tube came off when the animal was turned
  - what: hypocapnia
    from: 10 min
    tell: false
complete:
  - from: 0 s
    to: 1 h
"""


def test_times_are_instants_of_any_offset_or_count_from_the_begin() -> None:
    problems: list[Problem] = []
    labels = read_labels("night.labels.yaml", WHOLE, problems)
    assert not problems
    assert labels is not None
    assert labels.right_to_within_s == 10.0
    first, second = labels.happened
    assert first.kinds == {Kind.DISCONNECTED, Kind.LEAK}
    assert first.span.place == "recovery/box-3"
    assert first.span.begins.at_ms(BEGINS_MS) == from_text("2026-03-02T14:05:10Z")
    assert first.span.ends is not None
    assert first.span.ends.at_ms(BEGINS_MS) == from_text("2026-03-02T14:06:40Z")
    assert first.tell_by is not None
    assert first.tell_by.at_ms(BEGINS_MS) == BEGINS_MS + 322_000
    assert (first.tell, first.urgent) == (True, True)
    assert first.note == "the tube came off when the animal was turned"
    assert second.span.begins.at_ms(BEGINS_MS) == BEGINS_MS + 600_000
    assert (second.tell, second.urgent, second.span.ends) == (False, False, None)
    assert isinstance(labels.complete, tuple)
    assert [one.line for one in labels.complete] == [15]


@pytest.mark.parametrize(
    ("text", "at", "says"),
    [
        ("happened: []\n", (1, 1), "a file of labels lacks by"),
        ("by: me\nhapened: []\n", (2, 1), 'did you mean "happened"?'),
        (
            "by: me\nhappened:\n  - what: disconected\n    from: 5 s\n",
            (3, 11),
            'did you mean "disconnected"?',
        ),
        ("by: me\nhappened:\n  - what: leak\n", (3, 5), "something that happened lacks from"),
        (
            "by: me\nhappened:\n  - what: leak\n    from: 2026-03-02T14:05:10\n",
            (4, 11),
            "is no instant: expected one with its offset",
        ),
        ("by: me\nhappened:\n  - what: leak\n    from: 5\n", (4, 11), "lacks its unit"),
        (
            "by: me\nhappened:\n  - what: leak\n    from: 50 s\n    to: 20 s\n",
            (5, 9),
            "it ends before it begins",
        ),
        (
            "by: me\nhappened:\n  - what: leak\n    from: 5 s\n    tell: false\n    urgent: true\n",
            (6, 13),
            "what need not be told is not urgent",
        ),
        ("by: me\ncomplete: yes please\n", (2, 11), "expected a list of stretches"),
    ],
)
def test_mistakes_are_named_with_line_and_column(text: str, at: tuple[int, int], says: str) -> None:
    problems: list[Problem] = []
    read_labels("night.labels.yaml", text, problems)
    assert [(one.line, one.column) for one in problems] == [at]
    assert says in problems[0].message


def test_labels_lie_beside_the_source_or_in_a_folder_of_their_own(tmp_path: Path) -> None:
    source = Source("a/night.jsonl.gz", tmp_path / "x" / "night.jsonl.gz", "recording", "i")
    beside, apart = tmp_path / "x", tmp_path / "labels" / "a"
    for folder in (beside, apart):
        folder.mkdir(parents=True)
    assert labels_for([source], None) == {}
    (beside / "night.labels.yaml").write_text("by: beside\n")
    (apart / "night.labels.yaml").write_text("by: apart\n")
    assert labels_for([source], None)["a/night.jsonl.gz"].by == "beside"
    assert labels_for([source], tmp_path / "labels")["a/night.jsonl.gz"].by == "apart"
    (beside / "night.labels.yaml").write_text("by: ''\n")
    with pytest.raises(LabelError, match="who judged it"):
        labels_for([source], None)


def test_written_labels_are_read_as_they_were_meant() -> None:
    happened = [{"what": "leak", "from": "2026-03-02T14:05:10.000Z", "tell": False}]
    problems: list[Problem] = []
    labels = read_labels("x", labels_text("a model", 0.0, happened, complete=True), problems)
    assert not problems
    assert labels is not None
    assert (labels.by, labels.right_to_within_s, labels.complete) == ("a model", 0.0, True)
    assert labels.happened[0].span.begins.ms == from_text("2026-03-02T14:05:10Z")


README = (Path(adapters.backtest.__file__).parent / "README.md").read_text("utf-8")


def test_the_example_of_the_guide_is_read_as_it_says() -> None:
    [text] = re.findall(r"```yml\n(.*?)```", README, re.DOTALL)
    problems: list[Problem] = []
    labels = read_labels("night-12.labels.yaml", text, problems)
    assert not problems
    assert labels is not None
    off, low = labels.happened
    assert (off.urgent, off.tell, low.tell) == (True, True, False)
    assert off.span.begins.at_ms(0) == from_text("2026-03-02T14:05:10Z")
    assert labels.right_to_within_s == 10.0


def test_the_guide_names_every_condition() -> None:
    listed = re.search(r"^Conditions: (.*?)\. Some", README, re.MULTILINE)
    assert listed is not None
    assert re.findall(r"`([a-z0-9-]+)`", listed[1]) == [kind.value for kind in Kind]
