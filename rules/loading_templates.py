"""Reading the texts of rules, in which values stand in braces."""

from __future__ import annotations

from typing import Final

from ruamel.yaml.nodes import Node

from rules.loading_names import Names
from rules.model import Parameter
from rules.reading import Reader, nearest
from rules.templates import Field, template_fields
from rules.vocabulary import CATALOGUE
from rules.wording import duration, with_unit

_WHOLE_SECONDS: Final = 1e-9


def read_template(key: str, node: Node, reader: Reader, names: Names) -> str | None:
    """The text under `key` with its parameters filled in; each name in braces is checked."""
    template = reader.text(node, f'"{key}"')
    if template is None:
        return None
    try:
        fields = template_fields(template)
    except ValueError as error:
        reader.problem(node, f'"{key}": {error}')
        return None
    for part in fields:
        _check(part, key, node, reader, names)
    return "".join(_written(part, names) for part in fields)


def _check(part: Field, key: str, node: Node, reader: Reader, names: Names) -> None:
    if part.kind == "fact" and part.name not in CATALOGUE:
        hint = nearest(part.name, (*CATALOGUE, "held"))
        reader.problem(node, f'"{key}" names "{part.name}", which is not a fact{hint}')
    if part.kind in ("limit", "source") and part.name not in names.limits:
        hint = nearest(part.name, names.limits)
        reader.problem(node, f'"{key}" names limit "{part.name}", which is not one{hint}')
    if part.kind == "parameter" and part.name not in names.parameters:
        hint = nearest(part.name, names.parameters)
        reader.problem(node, f'"{key}" names parameter "{part.name}", which is not one{hint}')


def _written(part: Field, names: Names) -> str:
    match part.kind:
        case "text":
            return part.name
        case "held":
            return "{held}"
        case "fact":
            return f"{{{part.name}}}"
        case "parameter":
            return parameter_words(names.parameters[part.name])
    return f"{{{part.kind} {part.name}}}"


def parameter_words(parameter: Parameter | None) -> str:
    """The value of a parameter as it is read at the bedside."""
    if parameter is None:
        return ""
    whole = abs(parameter.value - round(parameter.value)) < _WHOLE_SECONDS
    if parameter.unit == "s" and whole:
        return duration(parameter.value)
    return with_unit(f"{parameter.value:.10g}", parameter.unit)
