"""UCUM units: which exist, which belong together, and conversion between them.

The definitions come from the `ucumvert` grammar and the `pint` registry. Conversion factors are
looked up once per pair and cached, so converting a reading costs one multiplication.
"""

from __future__ import annotations

import math
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
        parsed = _registry().from_ucum(code)
    except Exception as error:
        raise UnitError(f"unit {code!r} is not a UCUM code (case matters: mm[Hg], kPa)") from error
    # Annotations alone count as 1 (UCUM, section 6); the parser gives no quantity for them.
    return parsed if hasattr(parsed, "dimensionality") else _registry().from_ucum(ONE)


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
        at_zero, at_one, at_two = (
            float(quantity(value, one.units).to(other.units).magnitude) for value in (0.0, 1.0, 2.0)
        )
    except Exception as error:
        raise UnitError(f"unit {source!r} cannot be converted to {target!r}") from error
    if not math.isclose(at_two - at_one, at_one - at_zero, rel_tol=1e-6):
        raise UnitError(f"unit {source!r} is not linear and cannot be converted to {target!r}")
    scale = (at_one - at_zero) * float(one.magnitude) / float(other.magnitude)
    return lambda value: value * scale + at_zero


def convert(value: float, source: str, target: str) -> float:
    """`value` in UCUM unit `source`, expressed in UCUM unit `target`."""
    return converter(source, target)(value)


def check(code: str) -> str:
    """The code itself when it is UCUM; raises UnitError otherwise."""
    _parse(code)
    return code
