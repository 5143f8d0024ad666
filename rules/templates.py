"""The templates of `says` and `because`: text with fields in braces.

`{fact}` is a value, `{limit NAME}` a limit, `{source NAME}` how well the limit is supported,
`{parameter NAME}` a parameter and `{held}` how long the condition has held.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

_FIELD: Final = re.compile(r"\{([^{}]*)\}|([{}])")
_TWO_WORDS: Final = re.compile(r"(limit|source|parameter)\s+(\S+)")

Kind = Literal["text", "fact", "limit", "source", "parameter", "held"]
_NAMED: Final[Mapping[str, Kind]] = {
    "limit": "limit",
    "source": "source",
    "parameter": "parameter",
}


@dataclass(frozen=True, slots=True)
class Field:
    """A piece of a template; `name` is the text itself, or the fact, limit or parameter named."""

    kind: Kind
    name: str


def template_fields(template: str) -> list[Field]:
    """The pieces of a template, names unchecked. ValueError when a brace has no partner."""
    fields: list[Field] = []
    end = 0
    for match in _FIELD.finditer(template):
        if match[2] is not None:
            raise ValueError(f"'{match[2]}' has no partner; a field is written like {{etco2}}")
        if match.start() > end:
            fields.append(Field("text", template[end : match.start()]))
        fields.append(_field(match[1].strip()))
        end = match.end()
    if end < len(template):
        fields.append(Field("text", template[end:]))
    return fields


def _field(inside: str) -> Field:
    if inside == "held":
        return Field("held", "")
    two = _TWO_WORDS.fullmatch(inside)
    if two is None:
        return Field("fact", inside)
    return Field(_NAMED[two[1]], two[2])
