"""The list of released versions of the library: a released version keeps its hash."""

from __future__ import annotations

import datetime
from functools import cache
from importlib import resources
from typing import Annotated, Final

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator
from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError

from adapters.scenario_files import NO_SCENARIOS
from rules.versions import parse_version

RELEASES_FILE: Final = "releases.yaml"
_Text = Annotated[str, Field(min_length=1)]
_Hash = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


class ReleaseError(ValueError):
    """A rule set that cannot be released, found or activated; the text says what to do."""


class LibraryRelease(BaseModel):
    """One line of the library's list: this version has these hashes, and keeps them.

    Without `scenarios_sha256` it was released without scenarios.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]*$")]
    version: str
    sha256: _Hash
    scenarios_sha256: _Hash = NO_SCENARIOS.sha256
    released_on: datetime.date
    by: _Text
    notes: _Text

    @field_validator("version")
    @classmethod
    def _semantic(cls, text: str) -> str:
        return str(parse_version(text))

    @property
    def spec(self) -> str:
        """NAME@VERSION."""
        return f"{self.name}@{self.version}"


class _Releases(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    releases: tuple[LibraryRelease, ...]


def read_releases(text: str) -> tuple[LibraryRelease, ...]:
    """The list that `text` writes; ReleaseError names the entry and what is wrong with it."""
    try:
        found = _Releases.model_validate(YAML(typ="safe").load(text)).releases
    except YAMLError as error:
        raise ReleaseError(f"{RELEASES_FILE}: cannot be read: {error}") from None
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise ReleaseError(f"{RELEASES_FILE}: {where}: {first['msg']}") from None
    specs = [release.spec for release in found]
    twice = next((spec for spec in specs if specs.count(spec) > 1), None)
    if twice is not None:
        raise ReleaseError(f"{RELEASES_FILE}: {twice} is listed twice")
    return found


@cache
def library_releases() -> tuple[LibraryRelease, ...]:
    """The released versions of the library."""
    path = resources.files("rules") / "library" / RELEASES_FILE
    return read_releases(path.read_text(encoding="utf-8"))
