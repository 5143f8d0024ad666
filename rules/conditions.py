"""Conditions in normal form, and the one precision in which numbers are compared.

Negation normal form: every `none` is pushed down until only comparisons are negated, and a
negated comparison is its opposite (not above = at most). Each literal is false on an absent fact,
so the whole form is true exactly when strong Kleene logic makes the condition true.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final, Generic, TypeAlias, TypeVar

from rules.model import Comparison, Condition, Group, Op, Unknown

T = TypeVar("T")

MAX_WAYS: Final = 32
"""In how many ways one condition may come true (a product over `all`, a sum over `any`)."""

MAX_GROUPS: Final = 12
"""How many groups one condition may hold after `all` in `all` and `any` in `any` are merged."""

MILLION: Final = 1_000_000
WIDEST: Final = 2_000_000_000.0
"""Numbers beyond this, either way, count as this."""


def millionths(value: float) -> int:
    """A finite number as a whole number of millionths of its unit, which is how all compare.

    Two readings closer than that are the same reading: conversion noise (5.3 kPa in mm[Hg]) never
    decides. Numbers beyond 2e9 either way count as 2e9, which no fact of the catalogue reaches.
    """
    if -WIDEST <= value <= WIDEST:
        return round(float(value) * MILLION)
    return round(WIDEST if value > 0 else -WIDEST) * MILLION


@dataclass(frozen=True, slots=True)
class Every(Generic[T]):
    """All members must hold."""

    members: tuple[Tree[T], ...]


@dataclass(frozen=True, slots=True)
class Some(Generic[T]):
    """At least one member must hold."""

    members: tuple[Tree[T], ...]


Tree: TypeAlias = "T | Every[T] | Some[T]"


@dataclass(frozen=True, slots=True)
class Known:
    """The opposite of `unknown`: true when the fact is there."""

    fact: str


Leaf: TypeAlias = Comparison | Unknown | Known

_OPPOSITE: Final[Mapping[Op, Op]] = {
    Op.ABOVE: Op.AT_MOST,
    Op.AT_MOST: Op.ABOVE,
    Op.BELOW: Op.AT_LEAST,
    Op.AT_LEAST: Op.BELOW,
    Op.IS: Op.IS_NOT,
    Op.IS_NOT: Op.IS,
}


def normal(condition: Condition, negated: bool = False) -> Tree[Leaf]:
    """The condition (or its negation) in negation normal form, nested groups of a kind merged."""
    if isinstance(condition, Comparison):
        op = _OPPOSITE[condition.op] if negated else condition.op
        return Comparison(condition.fact, op, condition.operand)
    if isinstance(condition, Unknown):
        return Known(condition.fact) if negated else condition
    inverted = negated != (condition.kind == "none")
    conjunction = (condition.kind == "all") != inverted
    members = [normal(member, inverted) for member in condition.members]
    return every(members) if conjunction else some(members)


def leaves_of(condition: Condition) -> list[Leaf]:
    """The clauses of a condition in normal form, in the order written."""
    found: Iterator[Leaf] = flat(normal(condition))
    return list(found)


def flat(tree: Tree[T]) -> Iterator[T]:
    """The leaves of a tree, in the order written."""
    if isinstance(tree, Every | Some):
        for member in tree.members:
            yield from flat(member)
    else:
        yield tree


def every(members: list[Tree[T]]) -> Tree[T]:
    """All of `members`, with inner conjunctions merged; a single one is itself."""
    flat: list[Tree[T]] = []
    for member in members:
        flat.extend(member.members if isinstance(member, Every) else (member,))
    return flat[0] if len(flat) == 1 else Every(tuple(flat))


def some(members: list[Tree[T]]) -> Tree[T]:
    """Any of `members`, with inner disjunctions merged; a single one is itself."""
    flat: list[Tree[T]] = []
    for member in members:
        flat.extend(member.members if isinstance(member, Some) else (member,))
    return flat[0] if len(flat) == 1 else Some(tuple(flat))


def ways(tree: Tree[T]) -> int:
    """In how many ways the tree can come true."""
    if isinstance(tree, Every):
        return math.prod(ways(member) for member in tree.members)
    if isinstance(tree, Some):
        return sum(ways(member) for member in tree.members)
    return 1


def groups(tree: Tree[T]) -> int:
    """How many groups the tree holds."""
    if isinstance(tree, Every | Some):
        return 1 + sum(groups(member) for member in tree.members)
    return 0


def too_wide(condition: Condition) -> str | None:
    """Why a condition is more than the engines take, in words; None when it is not."""
    if nesting(condition) > MAX_GROUPS:
        return f"groups are nested more than {MAX_GROUPS} deep"
    tree = normal(condition)
    if (count := ways(tree)) > MAX_WAYS:
        return f"it can come true in {count} ways, more than {MAX_WAYS}"
    if (count := groups(tree)) > MAX_GROUPS:
        return f"it has {count} groups, more than {MAX_GROUPS}"
    return None


def nesting(condition: Condition) -> int:
    """How deep groups are nested in each other; 0 for a single comparison."""
    if isinstance(condition, Group):
        return 1 + max(nesting(member) for member in condition.members)
    return 0
