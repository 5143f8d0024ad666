"""Reading `causes.yaml`: what findings may point to, and what speaks for and against each."""

from __future__ import annotations

import re
from typing import Final

from ruamel.yaml.nodes import Node

from rules.loading_conditions import ConditionReader
from rules.loading_limits import read_source
from rules.loading_names import Declared, Names
from rules.loading_templates import read_template
from rules.model import Cause, Sign
from rules.reading import Reader
from rules.templates import template_fields

_ID: Final = re.compile(r"[a-z][a-z0-9-]*")


def read_causes(text: str, reader: Reader, names: Names) -> Declared[Cause]:
    """The causes of a file; problems go to the reader."""
    document = reader.document(text)
    keys = None if document is None else reader.mapping(document, reader.file, ("causes",))
    pairs = reader.pairs(keys["causes"], "the causes") if keys else None
    if pairs is None:
        return Declared(unread=True)
    found: dict[str, Cause | None] = {}
    for name, (key, node) in pairs.items():
        if not _ID.fullmatch(name):
            reader.problem(key, f'"{name}" is not the id of a cause: use a-z, 0-9 and -')
        found[name] = _cause(name, node, reader, names)
    return Declared(found)


def _cause(name: str, node: Node, reader: Reader, names: Names) -> Cause | None:
    before = len(reader.problems)
    keys = reader.mapping(node, "a cause", ("title", "look"), ("fits", "against", "source")) or {}
    title = reader.text(keys["title"], '"title"') if "title" in keys else None
    look = reader.text(keys["look"], '"look"') if "look" in keys else None
    fits = _signs("fits", keys, reader, names)
    against = _signs("against", keys, reader, names)
    source = read_source(keys["source"], reader) if "source" in keys else None
    if title is None or look is None or len(reader.problems) > before:
        return None
    return Cause(name, title, look, fits, against, source)


def _signs(key: str, keys: dict[str, Node], reader: Reader, names: Names) -> tuple[Sign, ...]:
    if key not in keys:
        return ()
    signs = [_sign(item, reader, names) for item in reader.items(keys[key], "signs") or ()]
    return tuple(sign for sign in signs if sign is not None)


def _sign(node: Node, reader: Reader, names: Names) -> Sign | None:
    keys = reader.mapping(node, "a sign", ("when", "says"))
    if keys is None or len(keys) < 2:
        return None
    when = ConditionReader(reader, names).condition(keys["when"])
    says = read_template("says", keys["says"], reader, names)
    if says is not None and any(part.kind == "held" for part in template_fields(says)):
        reader.problem(keys["says"], 'a sign is looked at once: "{held}" has no meaning here')
    return None if when is None or says is None else Sign(when, says)
