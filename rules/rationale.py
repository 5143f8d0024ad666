"""Why a rule holds: its comparisons with their values, and its texts filled in."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from rules.conditions import Known, Leaf, leaves_of, millionths
from rules.engine.guard import FactValue, flaw
from rules.limits import ResolvedLimit
from rules.model import Comparison, Condition, LimitRef, Op, Unknown
from rules.templates import Field, template_fields
from rules.units import converter
from rules.vocabulary import CATALOGUE, Fact
from rules.wording import (
    display,
    duration,
    limit_words,
    own_digits,
    source_words,
    telling_digits,
    with_digits,
)

__all__ = [
    "ClauseResult", "Moment", "clause_of", "display", "explain", "leaf_holds", "margin_words",
    "operand_value", "render",
]  # fmt: skip

_OPS: Final[Mapping[Op, str]] = {
    Op.ABOVE: "above",
    Op.BELOW: "below",
    Op.AT_LEAST: "at least",
    Op.AT_MOST: "at most",
}


@dataclass(frozen=True, slots=True)
class ClauseResult:
    """One comparison of a condition, in the sense in which it helps the condition to hold.

    Inside `none` that is the opposite of what was written. `value` and `operand_value` are in
    `unit` (UCUM); None when unknown or absent. `margin` is how far the value is beyond the operand
    in the direction that makes the clause hold, in `unit`; negative when short of it, None for
    labels and unknowns. `op` is a word of the language, or "unknown" or "known".
    """

    text: str
    fact: str
    value: FactValue | None
    unit: str
    op: str
    operand_value: FactValue | None
    operand_name: str | None
    holds: bool | None
    margin: float | None


@dataclass(frozen=True, slots=True)
class Moment:
    """What is known at one moment; `unknown` gives the reason for each absent fact."""

    facts: Mapping[str, FactValue]
    limits: Mapping[str, ResolvedLimit]
    unknown: Mapping[str, str]

    def value(self, fact: Fact) -> FactValue | None:
        """The value where it may be used."""
        value = self.facts.get(fact.name)
        return None if value is None or flaw(fact, value) is not None else value

    def why_unknown(self, fact: Fact) -> str:
        """The word "unknown", with the reason."""
        reason = self.unknown.get(fact.name)
        if reason is None and fact.name in self.facts:
            reason = flaw(fact, self.facts[fact.name])
        return f"unknown ({reason})" if reason else "unknown"


def leaf_holds(
    leaf: Leaf, facts: Mapping[str, FactValue], limits: Mapping[str, ResolvedLimit]
) -> bool | None:
    """Whether one comparison holds; None where its fact or its limit is not known."""
    moment = Moment(facts, limits, {})
    fact = CATALOGUE[leaf.fact]
    value = moment.value(fact)
    if isinstance(leaf, Comparison):
        return _holds(value, leaf.op, operand_value(leaf, moment.limits))
    return (value is None) == isinstance(leaf, Unknown)


def explain(
    condition: Condition,
    facts: Mapping[str, FactValue],
    limits: Mapping[str, ResolvedLimit],
    unknown: Mapping[str, str],
) -> list[ClauseResult]:
    """Each comparison of `condition` with its values, in the order written.

    `unknown` gives the reason for each fact that is absent from `facts`.
    """
    moment = Moment(facts, limits, unknown)
    return [clause_of(leaf, moment) for leaf in leaves_of(condition)]


def clause_of(leaf: Leaf, moment: Moment) -> ClauseResult:
    """One comparison with its values."""
    return _compared(leaf, moment) if isinstance(leaf, Comparison) else _presence(leaf, moment)


def margin_words(clause: ClauseResult) -> str:
    """How far the value is from what it is compared with, as both read in the clause: "3 %".

    Rounded by itself it could contradict them. Empty where there is no margin.
    """
    value, operand = clause.value, clause.operand_value
    if clause.margin is None or value is None or operand is None:
        return ""
    fact = CATALOGUE[clause.fact]
    digits, finer = _shown_digits(value, operand, fact)
    size = abs(round(float(value), digits) - round(float(operand), finer))
    return with_digits(size, fact, finer)


def render(
    template: str,
    facts: Mapping[str, FactValue],
    limits: Mapping[str, ResolvedLimit],
    unknown: Mapping[str, str],
    held_s: float,
) -> str:
    """The template with its fields filled in; `held_s` is how long the condition has held.

    A value that would read the same as a limit beside it, although they differ, gets more digits.
    """
    moment = Moment(facts, limits, unknown)
    fields = template_fields(template)
    names = (field.name for field in fields if field.kind == "limit")
    named = [limits[name] for name in names if name in limits]
    return "".join(_field_words(field, moment, named, held_s) for field in fields)


def _field_words(field: Field, moment: Moment, named: list[ResolvedLimit], held_s: float) -> str:
    if field.kind == "text":
        return field.name
    if field.kind == "held":
        return duration(held_s)
    if field.kind == "limit":
        return limit_words(moment.limits.get(field.name))
    if field.kind == "source":
        return source_words(moment.limits.get(field.name))
    return _fact_words(CATALOGUE[field.name], moment, named)


def _fact_words(fact: Fact, moment: Moment, named: list[ResolvedLimit]) -> str:
    value = moment.value(fact)
    if value is None:
        return moment.why_unknown(fact)
    beside = [limit.value for limit in named if limit.unit == fact.unit]
    digits = (telling_digits(value, other, fact) for other in beside)
    return with_digits(value, fact, max(digits, default=fact.digits))


def _presence(leaf: Unknown | Known, moment: Moment) -> ClauseResult:
    fact = CATALOGUE[leaf.fact]
    value = moment.value(fact)
    shown = moment.why_unknown(fact) if value is None else f"known ({display(value, fact.name)})"
    wanted = "unknown" if isinstance(leaf, Unknown) else "known"
    return ClauseResult(
        text=f"{fact.meaning} is {shown}",
        fact=fact.name,
        value=value,
        unit=fact.unit,
        op=wanted,
        operand_value=None,
        operand_name=None,
        holds=(value is None) == (wanted == "unknown"),
        margin=None,
    )


def _compared(leaf: Comparison, moment: Moment) -> ClauseResult:
    fact = CATALOGUE[leaf.fact]
    value = moment.value(fact)
    operand = operand_value(leaf, moment.limits)
    return ClauseResult(
        text=f"{fact.meaning} is {_sentence(leaf, fact, operand, moment)}",
        fact=fact.name,
        value=value,
        unit=fact.unit,
        op=leaf.op.value,
        operand_value=operand,
        operand_name=leaf.operand.name if isinstance(leaf.operand, LimitRef) else None,
        holds=_holds(value, leaf.op, operand),
        margin=_margin(value, leaf.op, operand),
    )


def operand_value(leaf: Comparison, limits: Mapping[str, ResolvedLimit]) -> FactValue | None:
    """What a comparison compares with, in the unit of its fact; None where the limit is absent."""
    if not isinstance(leaf.operand, LimitRef):
        return leaf.operand.value
    limit = limits.get(leaf.operand.name)
    if limit is None or limit.value is None or not math.isfinite(limit.value):
        return None
    return converter(limit.unit, CATALOGUE[leaf.fact].unit)(limit.value) + leaf.operand.offset


def _sentence(leaf: Comparison, fact: Fact, operand: FactValue | None, moment: Moment) -> str:
    value = moment.value(fact)
    digits, finer = _shown_digits(value, operand, fact)
    shown = moment.why_unknown(fact) if value is None else with_digits(value, fact, digits)
    if operand is None:
        name = leaf.operand.name if isinstance(leaf.operand, LimitRef) else ""
        return f"{shown}: {limit_words(moment.limits.get(name))}"
    against = with_digits(operand, fact, finer)
    against += _limit_label(leaf, fact)
    if value is None:
        return f"{shown}, to be compared with {against}"
    holds = _holds(value, leaf.op, operand)
    if leaf.op in (Op.IS, Op.IS_NOT):
        return shown if value == operand else f"{shown}, not {against}"
    return f"{shown}: {'' if holds else 'not '}{_OPS[leaf.op]} {against}"


def _shown_digits(
    value: FactValue | None, operand: FactValue | None, fact: Fact
) -> tuple[int, int]:
    """Decimals of the value, and of what it is compared with: at least as many."""
    digits = telling_digits(value, operand, fact)
    return digits, digits if operand is None else max(digits, own_digits(operand, fact))


def _limit_label(leaf: Comparison, fact: Fact) -> str:
    if not isinstance(leaf.operand, LimitRef):
        return ""
    offset = leaf.operand.offset
    if offset == 0:
        return f" (limit {leaf.operand.name})"
    size = with_digits(abs(offset), fact, own_digits(abs(offset), fact))
    return f" (limit {leaf.operand.name} {'less' if offset < 0 else 'plus'} {size})"


def _holds(value: FactValue | None, op: Op, operand: FactValue | None) -> bool | None:
    if value is None or operand is None:
        return None
    if op in (Op.IS, Op.IS_NOT):
        return (value == operand) == (op is Op.IS)
    left, right = millionths(float(value)), millionths(float(operand))
    if op is Op.ABOVE:
        return left > right
    if op is Op.AT_LEAST:
        return left >= right
    return left < right if op is Op.BELOW else left <= right


def _margin(value: FactValue | None, op: Op, operand: FactValue | None) -> float | None:
    if op in (Op.IS, Op.IS_NOT) or value is None or operand is None:
        return None
    over = float(value) - float(operand)
    return over if op in (Op.ABOVE, Op.AT_LEAST) else -over
