"""One entry of the catalogue of facts."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Kind(StrEnum):
    """What sort of value a fact holds."""

    NUMBER = "number"
    FLAG = "flag"
    LABEL = "label"


@dataclass(frozen=True, slots=True)
class Fact:
    """One entry of the catalogue. `low` and `high` bound what is plausible, in `unit`."""

    name: str
    meaning: str
    producer: str
    kind: Kind = Kind.NUMBER
    unit: str = "1"
    low: float = 0.0
    high: float = 1e6
    labels: tuple[str, ...] = ()
    digits: int = 0


def label(name: str, meaning: str, producer: str, labels: tuple[str, ...] = ()) -> Fact:
    """A fact whose value is one of some words; any word where none are given."""
    return Fact(name, meaning, producer, kind=Kind.LABEL, unit="", labels=labels)


def interval(
    name: str, meaning: str, producer: str, unit: str, high: float, digits: int = 1
) -> tuple[Fact, Fact]:
    """The ends of a fact's 90 % interval."""
    low, top = (
        Fact(f"{name}_{end}", f"{meaning}: the {end} end of what it may be", producer,
             unit=unit, high=high, digits=digits)
        for end in ("low", "high")
    )  # fmt: skip
    return low, top
