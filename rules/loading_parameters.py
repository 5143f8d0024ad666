"""Reading `parameters.yaml`: numbers and times that a site may set within bounds."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from ruamel.yaml.nodes import Node

from rules.loading_limits import misnamed, read_approval, read_source
from rules.loading_names import Declared
from rules.model import Parameter
from rules.quantities import quantity_in, unit_of
from rules.reading import Reader, is_number

_NAME: Final = re.compile(r"[a-z][a-z0-9_]*")


def read_parameters(
    text: str, reader: Reader, inherited: Mapping[str, Parameter]
) -> Declared[Parameter]:
    """The parameters of a file; those of a parent are set anew by `value` and `approved` alone."""
    document = reader.document(text)
    keys = None if document is None else reader.mapping(document, reader.file, ("parameters",))
    pairs = reader.pairs(keys["parameters"], "the parameters") if keys else None
    if pairs is None:
        return Declared(unread=True)
    found: dict[str, Parameter | None] = {}
    for name, (key, node) in pairs.items():
        if not _NAME.fullmatch(name):
            reader.problem(key, f'"{name}" is not a parameter name: use a-z, 0-9 and _')
        if name in inherited:
            found[name] = _set_anew(inherited[name], node, reader)
        elif misnamed(key, node, ("value", "approved"), inherited, "parameter", reader):
            found[name] = None
        else:
            found[name] = _parameter(name, node, reader)
    return Declared(found)


def _parameter(name: str, node: Node, reader: Reader) -> Parameter | None:
    keys = reader.mapping(node, "a parameter", ("meaning", "value", "between", "source"))
    if keys is None or len(keys) < 4:
        return None
    meaning = reader.text(keys["meaning"], "a meaning")
    written = _written(keys["value"], reader)
    unit = None if written is None else unit_of(written, keys["value"], reader)
    if written is None or unit is None:
        return None
    value = quantity_in(written, unit, keys["value"], reader)
    bounds = _between(keys["between"], unit, reader)
    source = read_source(keys["source"], reader)
    if meaning is None or value is None or bounds is None or source is None:
        return None
    low, high = bounds
    if not low <= value <= high:
        reader.problem(keys["value"], f'"{written}" is not between {low:g} and {high:g} {unit}')
        return None
    return Parameter(name, meaning, unit, value, low, high, source)


def _set_anew(parent: Parameter, node: Node, reader: Reader) -> Parameter | None:
    keys = reader.mapping(node, "a parameter of the parent", ("value", "approved"))
    if keys is None or len(keys) < 2:
        return None
    written = _written(keys["value"], reader)
    approved = read_approval(keys["approved"], reader)
    value = None if written is None else quantity_in(written, parent.unit, keys["value"], reader)
    if value is None or approved is None:
        return None
    if not parent.low <= value <= parent.high:
        reader.problem(
            keys["value"],
            f'"{written}" is outside what the parent allows for {parent.name} '
            f"({parent.low:g} to {parent.high:g} {parent.unit})",
        )
        return None
    return replace(parent, value=value, approved=approved)


def _written(node: Node, reader: Reader) -> str | None:
    return str(node.value) if is_number(node) else reader.text(node, "a number with unit")


def _between(node: Node, unit: str, reader: Reader) -> tuple[float, float] | None:
    text = reader.text(node, "two bounds")
    ends = [] if text is None else text.split(" to ")
    if text is not None and len(ends) != 2:
        reader.problem(node, f'expected two bounds such as "10 s to 60 s", found "{text}"')
    if len(ends) != 2:
        return None
    low, high = (quantity_in(end, unit, node, reader) for end in ends)
    if low is None or high is None:
        return None
    if low > high:
        reader.problem(node, f'"{text}": the lower bound comes first')
        return None
    return low, high
