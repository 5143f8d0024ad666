"""Recordings and stores: those that are named, and those in folders, however deep."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from adapters.recordings import RecordingError

_KNOWN: Final = (".jsonl", ".jsonl.gz", ".sqlite")
#: What lies beside a store and belongs to it.
_OF_A_STORE: Final = (".sqlite-wal", ".sqlite-shm", ".lock")
_KINDS: Final = f"recording ({', '.join(_KNOWN[:2])}) and no store ({_KNOWN[2]})"


@dataclass(frozen=True, slots=True)
class RecordedFile:
    """A recording or a store; `found` in a folder, else named itself."""

    path: Path
    found: bool

    @property
    def usable(self) -> bool:
        """Whether it may be one; what is named is taken at its word."""
        return not self.found or self.path.name.endswith(_KNOWN)


def recorded_files(paths: Sequence[Path]) -> tuple[list[RecordedFile], list[str]]:
    """What is in `paths`, files or folders, each file once; and in words what is of no such kind.

    RecordingError when a folder has nothing to read in it.
    """
    files: dict[Path, RecordedFile] = {}
    left_out: list[str] = []
    for given in paths:
        within = list(_within(given))
        usable = [one for one in within if one.usable]
        if not usable:
            raise RecordingError(f"{given}: there is no {_KINDS} in it")
        for one in usable:
            files.setdefault(one.path.resolve(), one)
        left_out += [
            f"{one.path}: no {_KINDS}"
            for one in within
            if not one.usable and not one.path.name.endswith(_OF_A_STORE)
        ]
    return list(files.values()), left_out


def _within(given: Path) -> Iterator[RecordedFile]:
    if not given.is_dir():
        yield RecordedFile(given, False)
        return
    for path in sorted(given.rglob("*")):
        if path.is_file():
            yield RecordedFile(path, True)
