"""Reading numbers and quantities ("20 s", "3 mm[Hg]") into the unit in which they are used."""

from __future__ import annotations

import math
import re
from typing import Final

from ruamel.yaml.nodes import Node

from rules.reading import Reader, is_number, kind_of
from rules.units import ONE, UnitError, check, converter

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


def unit_of(text: str, node: Node, reader: Reader) -> str | None:
    """The unit that a quantity is written in: "s" of "20 s", "1" of a bare number."""
    match = _QUANTITY.fullmatch(text.strip())
    if match is None:
        reader.problem(node, f'expected a number and its unit, found "{text.strip()}"')
        return None
    try:
        return check(match[2] or ONE)
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
