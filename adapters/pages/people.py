"""Who may use the pages, and what each may do: a file with a password's hash for each person."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Final, Literal

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from pydantic import BaseModel, ConfigDict, Field, ValidationError

Role = Literal["team", "reader", "wall"]

#: What each role is for; only `team` may ask anything of the service.
ROLES: Final[Mapping[Role, str]] = {
    "team": "sees everything; acknowledges, pauses, writes notes",
    "reader": "sees everything, asks nothing",
    "wall": "a screen on a wall: sees everything, asks nothing, is never logged out",
}
SHORTEST_PASSWORD: Final = 10
_NAME: Final = r"^[A-Za-z0-9][A-Za-z0-9._-]{0,39}$"
_HASHER: Final = PasswordHasher()
#: Verified for a name that is not there, so that the answer takes as long as for one that is.
_NOBODY: Final = _HASHER.hash("nobody has this password")


class PeopleError(ValueError):
    """A file of people that cannot be used; the text names what to mend."""


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who looks at the pages. `name` None: nobody had to say who they are."""

    name: str | None
    role: Role

    @property
    def may_ask(self) -> bool:
        """Whether what they ask is passed on to the service."""
        return self.role == "team" and self.name is not None


class _Entry(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    role: Role
    password: Annotated[str, Field(pattern=r"^\$argon2id\$")]


class _File(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    people: dict[Annotated[str, Field(pattern=_NAME)], _Entry] = {}


class People:
    """All people of a file."""

    def __init__(self, entries: Mapping[str, _Entry]) -> None:
        self._entries = dict(entries)

    def who(self, name: str, password: str) -> Person | None:
        """The person with this name and password; None when there is none. Slow on purpose."""
        entry = self._entries.get(name)
        try:
            _HASHER.verify(_NOBODY if entry is None else entry.password, password)
        except (VerificationError, InvalidHashError):
            return None
        return None if entry is None else Person(name, entry.role)

    def __len__(self) -> int:
        return len(self._entries)


def read_people(path: Path) -> People:
    """The people in `path`; PeopleError says what to mend."""
    return People(_read(path).people)


def add_person(path: Path, name: str, role: Role, password: str) -> bool:
    """Enter a person, or change role and password of one; True when they are new.

    The file is replaced whole, and only its owner can read it.
    """
    if len(password) < SHORTEST_PASSWORD:
        raise PeopleError(f"password: at least {SHORTEST_PASSWORD} characters")
    known = dict(_read(path).people) if path.exists() else {}
    new = name not in known
    entry = _Entry(role=role, password=_HASHER.hash(password))
    try:
        changed = _File(people={**known, name: entry})
    except ValidationError:
        raise PeopleError(
            f"name {name!r}: up to 40 letters, digits, '.', '_', '-', the first a letter or digit"
        ) from None
    _replace(path, changed)
    return new


def remove_person(path: Path, name: str) -> None:
    """Take a person out; PeopleError when there is no such person."""
    known = dict(_read(path).people)
    if known.pop(name, None) is None:
        raise PeopleError(f"name: there is no {name!r}; there are {', '.join(sorted(known))}")
    _replace(path, _File(people=known))


def list_people(path: Path) -> dict[str, Role]:
    """Names and roles."""
    return {name: entry.role for name, entry in sorted(_read(path).people.items())}


def _read(path: Path) -> _File:
    try:
        return _File.model_validate(tomllib.loads(path.read_text("utf-8")))
    except FileNotFoundError:
        raise PeopleError(
            f"{path}: no such file; enter somebody with: tidewarden people add NAME --file {path}"
        ) from None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise PeopleError(f"{path}: cannot be read: {error}") from None
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise PeopleError(f"{path}: {where}: {first['msg']}") from None


def _replace(path: Path, people: _File) -> None:
    lines = ["# Who may use the pages of Tidewarden; written by `tidewarden people`."]
    for name, entry in sorted(people.people.items()):
        lines += ["", f'[people."{name}"]', f'role = "{entry.role}"']
        lines.append(f'password = "{entry.password}"')
    beside = path.with_name(path.name + ".new")
    descriptor = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        file.write("\n".join(lines) + "\n")
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)
