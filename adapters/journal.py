"""A long piece of work kept line by line: cut off, it is taken up where it ended."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import BinaryIO, Final, Generic, TypeVar

from pydantic import TypeAdapter, ValidationError

_PACKAGES: Final = ("adapters", "rules", "service")
_SUFFIXES: Final = (".py", ".yaml")

Row = TypeVar("Row")


class JournalError(ValueError):
    """A journal of other work, or no journal; the text says how to mend it."""


@dataclass(frozen=True, slots=True)
class Journal(Generic[Row]):
    """Rows of an earlier run in `done`; `add` keeps one more."""

    done: list[Row]
    _file: BinaryIO
    _rows: TypeAdapter[Row]

    def add(self, row: Row) -> None:
        """Keep a finished row: it outlives this process."""
        self._file.write(self._rows.dump_json(row) + b"\n")
        self._file.flush()


@contextmanager
def open_journal(
    path: Path,
    work: Mapping[str, str | int],
    rows: TypeAdapter[Row],
    *,
    replace_other: bool = False,
) -> Iterator[Journal[Row]]:
    """The journal of `work` in the file `path`, made when it is not there.

    The first line of the file is `work`, every other one row. A last line that was cut off while
    it was written is dropped. When the file is of other work, JournalError; with `replace_other`
    it is begun anew.
    """
    first = json.dumps(dict(work), sort_keys=True).encode()
    lines = _whole_lines(path)
    if lines and lines[0] != first and replace_other and _is_first(lines[0]):
        lines = []
    if lines and lines[0] != first:
        raise JournalError(
            f"{path}: of another run ({_changed(lines[0], work)}); remove the file to begin anew, "
            "or write elsewhere"
        )
    done = [_row(path, number, line, rows) for number, line in enumerate(lines[1:], start=2)]
    with path.open("ab") as file:
        file.truncate(sum(len(line) + 1 for line in lines))
        if not lines:
            file.write(first + b"\n")
            file.flush()
        yield Journal(done, file, rows)


def _whole_lines(path: Path) -> list[bytes]:
    return path.read_bytes().split(b"\n")[:-1] if path.exists() else []


def _row(path: Path, number: int, line: bytes, rows: TypeAdapter[Row]) -> Row:
    try:
        return rows.validate_json(line)
    except ValidationError as error:
        raise JournalError(
            f"{path}: line {number} is not a row of this work; remove the file to begin anew"
        ) from error


def _is_first(line: bytes) -> bool:
    """Whether a file that begins with this line is a journal at all."""
    try:
        return isinstance(json.loads(line), dict)
    except ValueError:
        return False


def _changed(line: bytes, work: Mapping[str, str | int]) -> str:
    try:
        before = dict(json.loads(line))
    except (TypeError, ValueError):
        return "its first line does not say of which"
    keys = sorted(before.keys() | work.keys())
    return "other " + ", ".join(key for key in keys if before.get(key) != work.get(key))


def code_sha256() -> str:
    """The hash of all that Tidewarden runs: rows of other code are not rows of this work."""
    digest = hashlib.sha256()
    for package in _PACKAGES:
        for name, content in _files(resources.files(package), package):
            digest.update(f"{name}\0{len(content)}\0".encode() + content)
    return digest.hexdigest()


def _files(folder: Traversable, name: str) -> Iterator[tuple[str, bytes]]:
    for entry in sorted(folder.iterdir(), key=lambda entry: entry.name):
        if entry.is_dir():
            yield from _files(entry, f"{name}/{entry.name}")
        elif entry.name.endswith(_SUFFIXES):
            yield f"{name}/{entry.name}", entry.read_bytes()
