"""Rule sets read from the library that comes with Tidewarden, or from a folder of one's own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Final

from rules.loading import PARENT, load_rule_set
from rules.loading_about import ABOUT_FILE, parent_named
from rules.model import RuleSet

DEFAULT_RULES: Final = "small-animal-ventilation@2.1.0"


class RuleFilesError(ValueError):
    """A rule set that cannot be found or read; the text says what there is."""


@dataclass(frozen=True, slots=True)
class LoadedRules:
    """A rule set with the files it was read from."""

    rule_set: RuleSet
    files: dict[str, str]


def loaded_again(files: Mapping[str, str]) -> LoadedRules:
    """Rules as they were read before, from the text of their files."""
    return LoadedRules(_read_again(tuple(sorted(files.items()))), dict(files))


# To read a rule set takes seconds, and the same ones are asked for again and again.
@lru_cache(maxsize=4)
def _read_again(files: tuple[tuple[str, str], ...]) -> RuleSet:
    return load_rule_set(dict(files))


def library() -> list[str]:
    """All rule sets of the library, as NAME@VERSION."""
    root = resources.files("rules") / "library"
    return sorted(
        f"{name.name}@{version.name}"
        for name in root.iterdir()
        if name.is_dir()
        for version in name.iterdir()
        if version.is_dir()
    )


def load_rules(spec: str) -> LoadedRules:
    """The rule set named NAME@VERSION in the library, or in the folder of that path."""
    files = _with_parents(_read_folder(rules_folder(spec)), (spec,))
    return LoadedRules(load_rule_set(files), files)


def rules_folder(spec: str) -> Traversable:
    """Where the files of a rule set lie; RuleFilesError when there is none of that name."""
    if "@" in spec and not Path(spec).exists():
        name, _, version = spec.partition("@")
        if spec not in library():
            known = ", ".join(library())
            raise RuleFilesError(f"rule set {spec!r} is not in the library; it has: {known}")
        return resources.files("rules") / "library" / name / version
    folder = Path(spec)
    if not folder.is_dir():
        known = ", ".join(library())
        raise RuleFilesError(
            f"{spec}: neither NAME@VERSION nor a folder with a rule set; the library has: {known}"
        )
    return folder


def _read_folder(folder: Traversable) -> dict[str, str]:
    return {
        file.name: text_of(file)
        for file in sorted(folder.iterdir(), key=lambda file: file.name)
        if file.name.endswith(".yaml")
    }


def _with_parents(files: dict[str, str], seen: tuple[str, ...]) -> dict[str, str]:
    """The files with those of the parent that `rule-set.yaml` names, taken from the library."""
    parent = parent_named(files.get(ABOUT_FILE, ""))
    if parent is None:
        return files
    if parent in seen:
        raise RuleFilesError(f"{ABOUT_FILE}: {parent} is its own parent")
    if parent not in library():
        known = ", ".join(library())
        raise RuleFilesError(f"{ABOUT_FILE}: parent {parent!r} is not in the library: {known}")
    inherited = _with_parents(_read_folder(rules_folder(parent)), (*seen, parent))
    return {**files, **{PARENT + name: text for name, text in inherited.items()}}


def text_of(file: Traversable) -> str:
    """The text of a file; RuleFilesError when it cannot be read."""
    try:
        return file.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        raise RuleFilesError(f"{file.name}: not text in UTF-8; save it as UTF-8") from None
    except OSError as error:
        raise RuleFilesError(f"{file.name}: cannot be read: {error}") from None
