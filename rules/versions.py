"""Versions of rule sets: semantic version numbers and the hash of their content."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

_SEMVER: Final = re.compile(
    r"(0|[1-9]\d*)\.(0|[1-9]\d*)\.(0|[1-9]\d*)"
    r"(?:-((?:0|[1-9]\d*|\d*[a-zA-Z-][0-9a-zA-Z-]*)(?:\.(?:0|[1-9]\d*|\d*[a-zA-Z-][0-9a-zA-Z-]*))*))?"
    r"(?:\+([0-9a-zA-Z-]+(?:\.[0-9a-zA-Z-]+)*))?",
    re.ASCII,
)
"""Semantic Versioning 2.0.0 (semver.org), the expression given in its FAQ."""

_Part = tuple[int, int, str]


@dataclass(frozen=True, slots=True)
class Version:
    """A semantic version. `build` takes no part in the order."""

    major: int
    minor: int
    patch: int
    prerelease: tuple[str, ...] = ()
    build: str = ""

    def __str__(self) -> str:
        core = f"{self.major}.{self.minor}.{self.patch}"
        pre = f"-{'.'.join(self.prerelease)}" if self.prerelease else ""
        return f"{core}{pre}{f'+{self.build}' if self.build else ''}"

    @property
    def precedence(self) -> tuple[int, int, int, bool, tuple[_Part, ...]]:
        """A key whose order is the precedence of semver.org, section 11."""
        parts = tuple(_precedence(part) for part in self.prerelease)
        return (self.major, self.minor, self.patch, not self.prerelease, parts)


def parse_version(text: str) -> Version:
    """The version that `text` writes; ValueError when it is not a semantic version."""
    match = _SEMVER.fullmatch(text)
    if match is None:
        raise ValueError(f"{text!r} is not a semantic version such as 0.1.0")
    major, minor, patch, prerelease, build = match.groups()
    parts = tuple(prerelease.split(".")) if prerelease else ()
    return Version(int(major), int(minor), int(patch), parts, build or "")


def compare_versions(one: str, other: str) -> int:
    """-1, 0 or 1: whether version `one` comes before, with or after `other`."""
    left, right = parse_version(one).precedence, parse_version(other).precedence
    return (left > right) - (left < right)


def content_hash(files: Mapping[str, str]) -> str:
    """SHA-256 (hex) of the files of a rule set: name to text.

    Covers sorted names and contents, each with its length, so that nothing can move from one to
    the other. Line ends are taken as LF: a checkout on another system has the same hash.
    """
    digest = hashlib.sha256()
    for name in sorted(files):
        content = files[name].replace("\r\n", "\n").replace("\r", "\n")
        for part in (name.encode(), content.encode()):
            digest.update(len(part).to_bytes(8, "big"))
            digest.update(part)
    return digest.hexdigest()


def _precedence(part: str) -> _Part:
    return (0, int(part), "") if part.isdigit() else (1, 0, part)
