"""What a person gives wrongly ends with exit code 2 and one line that says what to do."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from adapters.cli.main import main


@pytest.mark.parametrize(
    "command",
    [
        ("rules", "review", "--out", "BELOW/review.md"),
        ("rules", "schema", "--out", "BELOW/schemas"),
        ("replay", "EMPTY", "--out", "BELOW/replayed"),
        ("evaluate", "--cases", "1", "--out", "BELOW/evaluated"),
        ("evaluate", "--case", "1", "--recording", "BELOW/case.jsonl"),
        ("demo", "--seconds", "1", "--store", "BELOW/store"),
    ],
    ids=" ".join,
)
def test_where_nothing_can_be_written_is_told(tmp_path: Path, command: tuple[str, ...]) -> None:
    (tmp_path / "file").write_text("a file where a folder would have to be")
    empty = tmp_path / "empty.jsonl"
    empty.write_text("")
    words = {"EMPTY": str(empty), "BELOW": str(tmp_path / "file")}
    given = ["/".join(words.get(part, part) for part in word.split("/")) for word in command]
    result = CliRunner().invoke(main, given)
    assert result.exit_code == 2, result.output
    assert "cannot be written: Not a directory" in result.output


@pytest.mark.parametrize("held", ["tidewarden.sqlite", "truth.jsonl", "signals.jsonl.gz"])
def test_a_demo_takes_no_folder_that_holds_one(tmp_path: Path, held: str) -> None:
    (tmp_path / held).write_bytes(b"of before")
    result = CliRunner().invoke(main, ["demo", "--seconds", "1", "--store", str(tmp_path)])
    assert result.exit_code == 2, result.output
    assert f"already holds {held}: name a new folder with --store" in result.output
    assert [path.name for path in tmp_path.iterdir()] == [held]
    assert (tmp_path / held).read_bytes() == b"of before"
