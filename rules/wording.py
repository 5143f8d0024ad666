"""Values, limits and times as they are read at the bedside."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

from rules.conditions import millionths
from rules.limits import Confidence, ResolvedLimit
from rules.vocabulary import CATALOGUE, Fact, Kind

FactValue = float | bool | str

_SPELLINGS: Final[Mapping[str, str]] = {
    "1": "",
    "Cel": "°C",
    "[degF]": "°F",
    "K/h": "°C/h",
    "mm[Hg]/min": "mmHg/min",
    "mm[Hg]/s": "mmHg/s",
    "cm[H2O]/min": "cmH2O/min",
    "cm[H2O]/s": "cmH2O/s",
    "cm[H2O].s": "cmH2O·s",
    "cm[H2O]": "cmH2O",
    "mm[Hg]": "mmHg",
    "mL/cm[H2O]": "mL/cmH2O",
    "cm[H2O].s/L": "cmH2O·s/L",
}
_CONFIDENCE: Final[Mapping[Confidence, str]] = {
    Confidence.PUBLISHED: "published",
    Confidence.COMMON_PRACTICE: "common practice",
    Confidence.MEMORY: "from memory",
}
_MOST_DIGITS: Final = 6


def unit_words(unit: str) -> str:
    """The bedside spelling of a UCUM unit: "cmH2O" for "cm[H2O]", nothing for "1"."""
    return _SPELLINGS.get(unit, unit)


def display(value: FactValue, fact_name: str) -> str:
    """A value as it is read at the bedside: "41 mmHg", "0.42 s", "0.62", "yes", "mains".

    A number is in the unit of the fact. KeyError when the catalogue has no such fact.
    """
    fact = CATALOGUE[fact_name]
    return with_digits(value, fact, fact.digits)


def with_digits(value: FactValue, fact: Fact, digits: int) -> str:
    """`value` of `fact` with this many decimals when it is a number."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return value
    # Adding zero turns a negative zero into zero: "-0 s" says nothing.
    return with_unit(f"{round(value, digits) + 0.0:.{digits}f}", fact.unit)


def with_unit(number: str, unit: str) -> str:
    """The number and its unit: "41 mmHg", "32/min", "0.62"."""
    words = unit_words(unit)
    if words.startswith("/"):
        return f"{number}{words}"
    return f"{number} {words}" if words else number


def telling_digits(value: FactValue | None, other: FactValue | None, fact: Fact) -> int:
    """Decimals at which two numbers that compare as different also read as different."""
    digits = fact.digits
    if fact.kind is not Kind.NUMBER or value is None or other is None:
        return digits
    one, two = float(value), float(other)
    if millionths(one) == millionths(two):
        return digits
    while digits < _MOST_DIGITS and round(one, digits) == round(two, digits):
        digits += 1
    return digits


def own_digits(value: FactValue, fact: Fact) -> int:
    """Decimals that a threshold needs to be read as written, two more than the fact's at most."""
    if isinstance(value, bool | str):
        return fact.digits
    digits = fact.digits
    while digits < fact.digits + 2 and millionths(round(value, digits)) != millionths(value):
        digits += 1
    return digits


def limit_words(limit: ResolvedLimit | None) -> str:
    """A limit in its own unit, or why there is none."""
    if limit is not None and limit.value is not None:
        return with_unit(f"{limit.value:.10g}", limit.unit)
    return f"no limit ({limit.absent})" if limit is not None and limit.absent else "no limit"


def source_words(limit: ResolvedLimit | None) -> str:
    """How well the value of a limit is supported, in words."""
    if limit is None or limit.source is None:
        return "no source"
    return _CONFIDENCE[limit.source.confidence]


def lasted(seconds: float) -> str:
    """A time in words, from two minutes on to the nearest one: "12 s", "83 min", "11 h 59 min"."""
    if seconds < 119.5:
        return f"{round(seconds)} s"
    minutes = round(seconds / 60.0)
    if minutes < 120:
        return f"{minutes} min"
    return f"{minutes // 60} h" + (f" {minutes % 60} min" if minutes % 60 else "")


def duration(seconds: float) -> str:
    """A time in words, rounded down: "12 s", "3 min", "2 h"."""
    whole = max(0, math.floor(seconds + 1e-6))
    if whole < 120:
        return f"{whole} s"
    return f"{whole // 60} min" if whole < 7200 else f"{whole // 3600} h"
