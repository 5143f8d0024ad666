"""All words of the pages and of case reports: `en.json`, or a translation of it."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from functools import cache
from importlib.resources import files
from pathlib import Path
from string import Formatter
from types import MappingProxyType
from typing import Any, Final

#: Names the language to browsers (BCP 47), and the program, which is never translated.
_LANGUAGE: Final = "language"
_SHOWN_AT_MOST: Final = 5
_spoken: dict[str, str] = {}


class TextsError(ValueError):
    """A translation that cannot be used; the text names the file, the key and the fix."""


@cache
def _english() -> Mapping[str, str]:
    found: dict[str, str] = json.loads((files("adapters.texts") / "en.json").read_text("utf-8"))
    return MappingProxyType(found)


def texts() -> Mapping[str, str]:
    """The words as this process speaks them."""
    return {**_english(), **_spoken}


def say(key: str, **values: object) -> str:
    """One text with its values filled in. KeyError when there is none of this name."""
    text = _spoken.get(key) or _english()[key]
    return text.format(**values) if values else text


def speak(path: Path | None) -> None:
    """From now on this process speaks by the translation at `path`; None: English.

    What it leaves out stays English. Raises TextsError for what cannot be used.
    """
    read = {} if path is None else _read(path)
    _spoken.clear()
    _spoken.update(read)


def _read(path: Path) -> dict[str, str]:
    try:
        found = json.loads(path.read_text("utf-8"))
    except OSError as error:
        raise TextsError(f"{path}: cannot be read ({error.strerror})") from None
    except ValueError as error:
        raise TextsError(f"{path}: {error}") from None
    if not isinstance(found, dict):
        raise TextsError(f"{path}: expected an object of texts, as in en.json")
    problems = list(_problems(found))
    if problems:
        more = len(problems) - _SHOWN_AT_MOST
        shown = "; ".join(problems[:_SHOWN_AT_MOST]) + (f"; and {more} more" if more > 0 else "")
        raise TextsError(f"{path}: {shown}")
    return found


def _problems(found: Mapping[str, Any]) -> Iterator[str]:
    english = _english()
    for key, text in found.items():
        if key not in english:
            yield f"{key}: there is no such text in en.json"
        elif not isinstance(text, str) or not text.strip():
            yield f"{key}: expected a text"
        elif (wrong := _blanks_of(text)) != _blanks_of(english[key]):
            asked = ", ".join(f"{{{one}}}" for one in sorted(_blanks_of(english[key]))) or "none"
            given = "unreadable" if wrong == {""} else ", ".join(sorted(wrong)) or "none"
            yield f"{key}: expected the blanks {asked}, not {given}"
    if found and found.get(_LANGUAGE, "en") == "en":
        yield f'{_LANGUAGE}: say which it is, as in "{_LANGUAGE}": "nb"'


def _blanks_of(text: str) -> set[str]:
    """The names in braces; of a text whose braces do not match, one without a name."""
    try:
        return {name for _, name, _, _ in Formatter().parse(text) if name is not None}
    except ValueError:
        return {""}
