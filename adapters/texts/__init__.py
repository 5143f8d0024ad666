"""All words of the pages, by language: one file each, `en.json` first."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from importlib.resources import files


@cache
def texts(language: str = "en") -> Mapping[str, str]:
    """The words of a language. FileNotFoundError when nobody has written them."""
    found: dict[str, str] = json.loads(
        (files("adapters.texts") / f"{language}.json").read_text("utf-8")
    )
    return found


def say(key: str, **values: object) -> str:
    """One text with its values filled in. KeyError when there is none of this name."""
    text = texts()[key]
    return text.format(**values) if values else text
