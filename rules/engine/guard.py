"""What may reach an engine: clean snapshots, and definitions made of known parts only.

Every engine sees a snapshot through this module, so all of them agree on what is unknown. Numbers
travel as whole millionths, flags as 0 and 1, labels as codes (see `rules.engine.compile`): no
text, no fraction, no exponent, no infinity ever reaches an engine.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Mapping
from typing import Final

from rules.vocabulary import CATALOGUE, Fact, Kind

FactValue = float | bool | str


#: What a number of the catalogue may be; of all else, no float is right.
_RANGES: Final = {
    name: (fact.low, fact.high) for name, fact in CATALOGUE.items() if fact.kind is Kind.NUMBER
}
_NOTHING: Final = (math.inf, -math.inf)


class EngineError(Exception):
    """An engine cannot be built or has failed. The text never holds facts or patient data."""


def clean(
    facts: Mapping[str, object], asked: Collection[str] | None = None
) -> tuple[dict[str, FactValue], dict[str, str]]:
    """The facts that can be used, and the reason for each that was dropped.

    With `asked`, the rest is left out of both. Numbers come back as float. Reasons never repeat
    the value.
    """
    kept: dict[str, FactValue] = {}
    dropped: dict[str, str] = {}
    ranges = _RANGES
    for name, value in facts.items():
        if asked is not None and name not in asked:
            continue
        # Nearly every value is a plausible float, for which nothing more is to be asked. One test
        # for the range and for finite: comparisons with NaN are false.
        if type(value) is float:
            low, high = ranges.get(name, _NOTHING)
            if low <= value <= high:
                kept[name] = value
                continue
        fact = CATALOGUE.get(name)
        reason = "not a fact of the catalogue" if fact is None else flaw(fact, value)
        if reason is not None:
            dropped[name] = reason
        elif isinstance(value, bool | str):
            kept[name] = value
        elif isinstance(value, int | float):
            kept[name] = float(value)
    return kept, dropped


def flaw(fact: Fact, value: object) -> str | None:
    """Why `value` cannot be used for `fact`; None when it can."""
    if fact.kind is Kind.NUMBER:
        return _number_flaw(fact, value)
    if fact.kind is Kind.FLAG:
        return None if isinstance(value, bool) else "not true or false"
    if not isinstance(value, str) or not value:
        return "not a label"
    if fact.labels and value not in fact.labels:
        return f"not one of {', '.join(fact.labels)}"
    return None


def _number_flaw(fact: Fact, value: object) -> str | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return "not a number"
    if fact.low <= value <= fact.high:
        return None
    if isinstance(value, float) and not math.isfinite(value):
        return "not finite"
    unit = "" if fact.unit == "1" else f" {fact.unit}"
    return f"outside {fact.low:g} to {fact.high:g}{unit}"


_GROUPS: Final = frozenset({"$and", "$or"})
_RELATIONS: Final = frozenset({"$gt", "$gte", "$lt", "$lte", "$neq"})
_PROPERTY: Final = re.compile(r"[gp][0-9]{1,3}")


def vet(expression: object) -> None:
    """Refuses any part of a durable-rules expression other than the few known to be safe.

    Allowed: `$and` and `$or` over lists, an ordering, `$neq` or equality of one property with a
    whole number or with another property. Everything else (`$nex` hangs, patterns and strings
    compare in surprising ways) raises EngineError.
    """
    if not isinstance(expression, dict) or len(expression) != 1:
        raise EngineError("a condition has a part of unknown shape")
    [(key, value)] = expression.items()
    if key in _GROUPS:
        if not isinstance(value, list) or not value:
            raise EngineError("a condition has an empty group")
        for member in value:
            vet(member)
    elif key in _RELATIONS:
        if not isinstance(value, dict) or len(value) != 1:
            raise EngineError("a condition has a part of unknown shape")
        [(name, operand)] = value.items()
        _vet_operand(name, operand)
    else:
        _vet_operand(key, value)


def _vet_operand(name: object, operand: object) -> None:
    if not isinstance(name, str) or not _PROPERTY.fullmatch(name):
        raise EngineError("a condition uses an operator that is not allowed")
    if isinstance(operand, dict):
        other = operand.get("$m") if len(operand) == 1 else None
        if not isinstance(other, str) or not _PROPERTY.fullmatch(other):
            raise EngineError("a condition compares with something that is not allowed")
    elif isinstance(operand, bool) or not isinstance(operand, int):
        raise EngineError("a condition compares with something other than a whole number")
