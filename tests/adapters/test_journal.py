"""What was cut off is taken up where it ended; rows of other work are not taken for this work's."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import pytest
from pydantic import TypeAdapter

from adapters.journal import JournalError, code_sha256, open_journal

ROWS: Final = TypeAdapter(tuple[str, float])
WORK: Final = {"seed": 20, "rules": "ab"}
AWKWARD: Final = ("line \u2028 end \n of \u0085 it", 0.1 + 0.2)


def test_rows_come_back_as_they_were(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    with open_journal(path, WORK, ROWS) as journal:
        assert journal.done == []
        journal.add(AWKWARD)
    with open_journal(path, WORK, ROWS) as journal:
        assert journal.done == [AWKWARD]
        journal.add(("second", 2.0))
    with open_journal(path, WORK, ROWS) as journal:
        assert journal.done == [AWKWARD, ("second", 2.0)]


def test_a_row_is_kept_before_the_journal_is_closed(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    with open_journal(path, WORK, ROWS) as journal:
        journal.add(("first", 1.0))
        assert path.read_text("utf-8").count("\n") == 2


@pytest.mark.parametrize("cut", range(1, 12))
def test_a_line_that_was_cut_off_is_dropped_and_the_others_stay(tmp_path: Path, cut: int) -> None:
    path = tmp_path / "journal.jsonl"
    with open_journal(path, WORK, ROWS) as journal:
        journal.add(("first", 1.0))
        journal.add(("\u00fcber", 2.0))
    path.write_bytes(path.read_bytes()[:-cut])
    with open_journal(path, WORK, ROWS) as journal:
        assert journal.done == [("first", 1.0)]
        journal.add(("third", 3.0))
    with open_journal(path, WORK, ROWS) as journal:
        assert journal.done == [("first", 1.0), ("third", 3.0)]


def test_a_first_line_that_was_cut_off_is_written_anew(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    path.write_text('{"rules": "ab", "se', "utf-8")
    with open_journal(path, WORK, ROWS) as journal:
        journal.add(("first", 1.0))
    with open_journal(path, WORK, ROWS) as journal:
        assert journal.done == [("first", 1.0)]


def test_other_work_is_refused_with_what_differs_and_nothing_is_lost(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    with open_journal(path, WORK, ROWS) as journal:
        journal.add(("first", 1.0))
    before = path.read_bytes()
    refused = pytest.raises(JournalError, match=r"other seed\); remove the file")
    with refused, open_journal(path, {**WORK, "seed": 21}, ROWS):
        pass
    assert path.read_bytes() == before


@pytest.mark.parametrize("text", ["anything\n", "[1]\n", "3\n", "\xff\n"])
def test_a_file_that_is_no_journal_is_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "notes.txt"
    path.write_text(text, "latin-1")
    with (
        pytest.raises(JournalError, match=r"notes\.txt: of another run"),
        open_journal(path, WORK, ROWS),
    ):
        pass
    assert path.read_text("latin-1") == text


def test_a_row_that_is_none_is_named_by_its_line(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    with open_journal(path, WORK, ROWS) as journal:
        journal.add(("first", 1.0))
    with path.open("a", encoding="utf-8") as file:
        file.write('["second"]\n')
    with pytest.raises(JournalError, match="line 3 is not a row"), open_journal(path, WORK, ROWS):
        pass


def test_the_code_has_one_hash() -> None:
    assert code_sha256() == code_sha256()
    assert len(code_sha256()) == 64
