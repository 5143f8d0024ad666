"""UCUM units: which exist, which belong together, and conversion between them.

The definitions come from the `ucumvert` grammar and the `pint` registry. Conversion factors are
looked up once per pair and cached, so converting a reading costs one multiplication.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, lru_cache
from typing import Any, Final

from ucumvert import PintUcumRegistry

ONE: Final = "1"


class UnitError(ValueError):
    """A unit that UCUM does not know, or two units that measure different things."""


@cache
def _registry() -> Any:
    return PintUcumRegistry()


@lru_cache(maxsize=1024)
def _parse(code: str) -> Any:
    if not code or len(code) > 40:
        raise UnitError(f"unit {code[:40]!r} is not a UCUM code")
    try:
        return _registry().from_ucum(code)
    except Exception as error:
        raise UnitError(f"unit {code!r} is not a UCUM code (case matters: mm[Hg], kPa)") from error


@lru_cache(maxsize=1024)
def converter(source: str, target: str) -> Callable[[float], float]:
    """A function that converts a value from UCUM unit `source` to UCUM unit `target`.

    Raises UnitError when either is not UCUM or when they measure different things.
    """
    if source == target:
        return lambda value: value
    one, other = _parse(source), _parse(target)
    if one.dimensionality != other.dimensionality:
        raise UnitError(f"unit {source!r} cannot be converted to {target!r}")
    try:
        # Two points fix the line, which also serves scales with an offset (Cel, [degF]).
        quantity = _registry().Quantity
        at_zero = float(quantity(0.0, one.units).to(other.units).magnitude)
        at_one = float(quantity(1.0, one.units).to(other.units).magnitude)
    except Exception as error:
        raise UnitError(f"unit {source!r} cannot be converted to {target!r}") from error
    scale = (at_one - at_zero) * float(one.magnitude) / float(other.magnitude)
    return lambda value: value * scale + at_zero


def convert(value: float, source: str, target: str) -> float:
    """`value` in UCUM unit `source`, expressed in UCUM unit `target`."""
    return converter(source, target)(value)


def check(code: str) -> str:
    """The code itself when it is UCUM; raises UnitError otherwise."""
    _parse(code)
    return code
