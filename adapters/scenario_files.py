"""The scenarios beside a rule set, as files: what a release keeps of them, and their hash."""

from __future__ import annotations

import gzip
import zlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.resources.abc import Traversable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from adapters.rule_files import RuleFilesError, rules_folder
from rules.versions import content_hash

SCENARIOS: Final = "scenarios"
"""The folder of a rule set in which they lie."""

_WRITTEN: Final = ".yaml"
_RECORDED: Final = (".jsonl", ".jsonl.gz")


@dataclass(frozen=True, slots=True)
class ScenarioFiles:
    """Scenario files and the recordings beside them, by name, byte by byte as they lie there."""

    files: Mapping[str, bytes]

    @property
    def sha256(self) -> str:
        """The hash of what they hold, whatever their order, line ends and compression.

        RuleFilesError when one is not text in UTF-8.
        """
        return content_hash({name: _text(name, held) for name, held in self.files.items()})

    @property
    def size_bytes(self) -> int:
        """All of them together."""
        return sum(map(len, self.files.values()))

    @contextmanager
    def laid_out(self) -> Iterator[Path]:
        """A folder that holds them while it is entered."""
        with TemporaryDirectory(prefix="tidewarden-scenarios-") as name:
            folder = Path(name)
            for file, held in self.files.items():
                (folder / file).write_bytes(held)
            yield folder


NO_SCENARIOS: Final = ScenarioFiles({})


@dataclass(frozen=True, slots=True)
class Tried:
    """The scenarios of a release, how many they are, and how many were not as expected.

    `override_reason` is why it is released all the same.
    """

    files: ScenarioFiles = NO_SCENARIOS
    count: int = 0
    not_as_expected: int = 0
    override_reason: str | None = None


def scenario_files(spec: str) -> ScenarioFiles:
    """The scenarios beside the rule set NAME@VERSION of the library, or in a folder; or none.

    RuleFilesError when there is no such rule set, or a file cannot be read.
    """
    folder = rules_folder(spec) / SCENARIOS
    files = [] if not folder.is_dir() else [one for one in folder.iterdir() if _belongs(one)]
    if not any(file.name.endswith(_WRITTEN) for file in files):
        return NO_SCENARIOS
    return ScenarioFiles({file.name: _held(file) for file in sorted(files, key=lambda f: f.name)})


def _belongs(file: Traversable) -> bool:
    return file.is_file() and file.name.endswith((_WRITTEN, *_RECORDED))


def _held(file: Traversable) -> bytes:
    try:
        return file.read_bytes()
    except OSError as error:
        raise RuleFilesError(f"{file.name}: cannot be read: {error}") from None


def _text(name: str, held: bytes) -> str:
    try:
        return (gzip.decompress(held) if name.endswith(".gz") else held).decode("utf-8")
    except UnicodeDecodeError:
        raise RuleFilesError(f"{name}: not text in UTF-8; save it as UTF-8") from None
    except (OSError, EOFError, zlib.error) as error:
        raise RuleFilesError(f"{name}: cannot be read: {error}") from None
