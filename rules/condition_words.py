"""Conditions in words, as they are written: one line for each comparison and each group."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from rules.conditions import Known, Leaf
from rules.model import Comparison, Condition, Group, GroupKind, LimitRef, Op, Unknown
from rules.vocabulary import CATALOGUE
from rules.wording import with_unit

_GROUPS: Final[Mapping[GroupKind, str]] = {
    "all": "all of these",
    "any": "at least one of these",
    "none": "none of these",
}
_OPS: Final[Mapping[Op, str]] = {
    Op.ABOVE: "above",
    Op.BELOW: "below",
    Op.AT_LEAST: "at least",
    Op.AT_MOST: "at most",
    Op.IS: "is",
    Op.IS_NOT: "is not",
}


@dataclass(frozen=True, slots=True)
class Line:
    """A comparison, or the head of a group, and how deep in groups it stands."""

    depth: int
    what: Comparison | Unknown | GroupKind

    @property
    def words(self) -> str:
        """As a clinician reads it."""
        return _GROUPS[self.what] if isinstance(self.what, str) else clause_words(self.what)

    @property
    def subject(self) -> str:
        """What it speaks of: a fact, or a group as such ("")."""
        return "" if isinstance(self.what, str) else self.what.fact


def condition_lines(condition: Condition, depth: int = 0) -> list[Line]:
    """The lines of a condition, in the order written."""
    if not isinstance(condition, Group):
        return [Line(depth, condition)]
    lines = [Line(depth, condition.kind)]
    for member in condition.members:
        lines.extend(condition_lines(member, depth + 1))
    return lines


def leaf_words(leaf: Leaf) -> str:
    """A clause in words, also in the sense in which it helps its condition to hold."""
    return f"{leaf.fact} is known" if isinstance(leaf, Known) else clause_words(leaf)


def clause_words(leaf: Comparison | Unknown) -> str:
    """`end-tidal CO2 above limit etco2_high less 3 mmHg`; exact: no number is rounded."""
    fact = CATALOGUE.get(leaf.fact)
    meaning, unit = (leaf.fact, "1") if fact is None else (fact.meaning, fact.unit)
    if isinstance(leaf, Unknown):
        return f"{meaning} is unknown"
    return f"{meaning} {_OPS[leaf.op]} {_operand_words(leaf, unit)}"


def condition_words(condition: Condition) -> str:
    """A whole condition in one line."""
    if not isinstance(condition, Group):
        return clause_words(condition)
    members = "; ".join(condition_words(member) for member in condition.members)
    return f"{_GROUPS[condition.kind]} ({members})"


def number_words(value: float, unit: str) -> str:
    """A number exactly as it is, with its unit: "55 mmHg", "0.3", "2 min" as "120 s"."""
    short = f"{value:.10g}"
    return with_unit(short if float(short) == value else repr(value), unit)


def _operand_words(leaf: Comparison, unit: str) -> str:
    operand = leaf.operand
    if isinstance(operand, LimitRef):
        if operand.offset == 0:
            return f"limit {operand.name}"
        way = "less" if operand.offset < 0 else "plus"
        return f"limit {operand.name} {way} {number_words(abs(operand.offset), unit)}"
    if isinstance(operand.value, bool):
        return "yes" if operand.value else "no"
    return operand.value if isinstance(operand.value, str) else number_words(operand.value, unit)
