"""Every small change of one condition: a number moved, a comparison turned, a clause left out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final, Literal

from rules.condition_words import clause_words
from rules.model import Comparison, Condition, Group, LimitRef, Op, Unknown, Value
from rules.vocabulary import CATALOGUE

MOVE: Final = 0.1
"""A number is moved by this share of itself, and never by less than its last digit shows."""

_DIGITS: Final = 9

Kind = Literal["threshold", "time", "comparison", "clause", "bond"]
MOVED: Final[tuple[Kind, ...]] = ("threshold", "time")
"""The kinds in which a limit, a number or a time is moved."""

_TURNED: Final[Mapping[Op, Op]] = {
    Op.ABOVE: Op.BELOW,
    Op.BELOW: Op.ABOVE,
    Op.AT_LEAST: Op.AT_MOST,
    Op.AT_MOST: Op.AT_LEAST,
    Op.IS: Op.IS_NOT,
    Op.IS_NOT: Op.IS,
}


@dataclass(frozen=True, slots=True)
class Change:
    """A condition changed; None when nothing of it is left."""

    kind: Kind
    words: str
    condition: Condition | None


def changes(condition: Condition) -> Iterator[Change]:
    """Every change of the condition, in the order written."""
    if isinstance(condition, Group):
        yield from _of_group(condition)
    else:
        yield Change("clause", f'without "{clause_words(condition)}"', None)
        yield from _of_leaf(condition)


def _of_group(group: Group) -> Iterator[Change]:
    for number, member in enumerate(group.members):
        for change in changes(member):
            kept = group.members[:number], group.members[number + 1 :]
            inner = () if change.condition is None else (change.condition,)
            members = (*kept[0], *inner, *kept[1])
            yield replace(change, condition=replace(group, members=members) if members else None)


def _of_leaf(leaf: Comparison | Unknown) -> Iterator[Change]:
    if isinstance(leaf, Unknown):
        return
    written = clause_words(leaf)
    turned = replace(leaf, op=_TURNED[leaf.op])
    yield Change("comparison", f'"{clause_words(turned)}" for "{written}"', turned)
    for moved in _moved(leaf):
        yield Change("threshold", f'"{clause_words(moved)}" for "{written}"', moved)


def _moved(leaf: Comparison) -> Iterator[Comparison]:
    operand = leaf.operand
    if isinstance(operand, LimitRef):
        # The limit itself is moved where it stands; here only what is added to it.
        if operand.offset:
            yield replace(leaf, operand=replace(operand, offset=0.0))
    elif isinstance(operand.value, float):
        step = step_of(operand.value, leaf.fact)
        for number in (operand.value + step, operand.value - step):
            # Rounded, so that it reads as a number that somebody could have written.
            yield replace(leaf, operand=Value(round(number, _DIGITS)))


def step_of(value: float, fact: str | None = None) -> float:
    """By how much a number is moved; of a fact at least by what its last digit shows."""
    step = MOVE * abs(value)
    known = None if fact is None else CATALOGUE.get(fact)
    return step if known is None else max(step, float(10.0**-known.digits))
