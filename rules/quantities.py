"""Reading numbers and quantities ("20 s", "3 mm[Hg]") into the unit in which they are used."""

from __future__ import annotations

import math
import re
from typing import Final

from ruamel.yaml.nodes import Node

from rules.reading import Reader, is_number, kind_of
from rules.units import UnitError, converter

_QUANTITY: Final = re.compile(r"([+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?)\s*(\S+)?")


def read_number(node: Node, reader: Reader) -> float | None:
    """A finite number without a unit."""
    if is_number(node):
        try:
            number = float(node.value)
        except ValueError:
            number = math.nan
        if math.isfinite(number):
            return number
    reader.problem(node, f"expected a number without a unit, found {kind_of(node)}")
    return None


def quantity_in(text: str, unit: str, node: Node, reader: Reader) -> float | None:
    """The quantity that `text` writes, as a number of `unit`. Without a unit only when it is 1."""
    match = _QUANTITY.fullmatch(text.strip())
    if match is None:
        reader.problem(node, f'expected a number and a unit of {unit}, found "{text.strip()}"')
        return None
    number = float(match[1])
    if not math.isfinite(number):
        reader.problem(node, f'"{match[1]}" is too large a number')
        return None
    if match[2] is None and unit != "1":
        reader.problem(node, f'"{text.strip()}" lacks its unit: expected one like {unit}')
        return None
    try:
        return converter(match[2] or unit, unit)(number)
    except UnitError as error:
        reader.problem(node, str(error))
        return None


def difference_in(text: str, unit: str, node: Node, reader: Reader) -> float | None:
    """As `quantity_in`, but a difference: on a scale with an offset (Cel) only the size counts."""
    here = quantity_in(text, unit, node, reader)
    match = _QUANTITY.fullmatch(text.strip())
    if here is None or match is None:
        return None
    return here - converter(match[2] or unit, unit)(0.0)


def seconds(node: Node, reader: Reader) -> float | None:
    """A time that is not negative, in seconds. A bare 0 needs no unit."""
    text = str(node.value).strip() if isinstance(node.value, str) else ""
    if is_number(node) and float(text) == 0:
        return 0.0
    if not text or is_number(node):
        reader.problem(node, f'expected a time such as "10 s", found {kind_of(node)}')
        return None
    value = quantity_in(text, "s", node, reader)
    if value is not None and value < 0:
        reader.problem(node, f'expected a time that is not negative, found "{text}"')
        return None
    return value
