"""The limits that a scenario's rules hold a fact against, over its time."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from rules.condition_words import number_words
from rules.conditions import leaves_of
from rules.limits import PatientContext, ResolvedLimit
from rules.model import Comparison, LimitRef, Op, Rule, RuleSet
from rules.rationale import operand_value
from rules.vocabulary import CATALOGUE, Kind
from service.known import PatientInfo, context_of
from service.rehearsal.looks import Look

#: What a condition is for, by its key in the rule.
PURPOSES: Final[Mapping[str, str]] = {
    "when": "speaks",
    "needs": "is judged",
    "clears": "is over",
    "escalate": "escalates",
}
_OPS: Final[Mapping[Op, str]] = {
    Op.ABOVE: "above",
    Op.BELOW: "below",
    Op.AT_LEAST: "at",
    Op.AT_MOST: "at",
    Op.IS: "at",
    Op.IS_NOT: "not at",
}
_WAYS: Final[Mapping[Op, str]] = {Op.AT_LEAST: " or more", Op.AT_MOST: " or less"}


@dataclass(frozen=True, slots=True)
class Held:
    """One numeric comparison of a rule: `key` is the condition it stands in."""

    rule: str
    key: str
    leaf: Comparison

    @property
    def limit(self) -> str | None:
        """The name of the limit, None for a plain number."""
        operand = self.leaf.operand
        return operand.name if isinstance(operand, LimitRef) else None

    def value(self, limits: Mapping[str, ResolvedLimit]) -> float | None:
        """The number that the fact is compared with, in the fact's unit."""
        value = operand_value(self.leaf, limits)
        return value if isinstance(value, float) else None

    def words(self, value: float) -> str:
        """As a line is labelled: `speaks above 1.5 cmH2O`, `is over at 0.95 or more`."""
        shown = number_words(round(value, 6), CATALOGUE[self.leaf.fact].unit)
        op = self.leaf.op
        return f"{PURPOSES[self.key]} {_OPS[op]} {shown}{_WAYS.get(op, '')}"


def comparisons(rule: Rule) -> Iterator[Held]:
    """Every comparison of a numeric fact, in the order of its conditions."""
    conditions = rule.conditions()
    for key in PURPOSES:
        if key in conditions:
            for leaf in leaves_of(conditions[key]):
                if isinstance(leaf, Comparison) and CATALOGUE[leaf.fact].kind is Kind.NUMBER:
                    yield Held(rule.id, key, leaf)


@dataclass(frozen=True, slots=True)
class Line:
    """One limit over time: (from, to, value) with times in s, values in the fact's unit."""

    held: Held
    runs: tuple[tuple[float, float, float], ...]


@dataclass(slots=True)
class Limits:
    """The limits of a rule set as they hold for the animals of scenarios."""

    rule_set: RuleSet
    rules: dict[str, Rule] = field(init=False)
    _known: dict[PatientContext, Mapping[str, ResolvedLimit]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.rules = {rule.id: rule for rule in self.rule_set.rules}

    def lines(self, asked: Iterable[Held], looks: Sequence[Look]) -> list[Line]:
        """The line of each comparison; one without a value at any time is left out."""
        found = []
        for held in asked:
            values = ((look.at_s, held.value(self._of(look.patient))) for look in looks)
            runs = tuple(_runs(values, looks[-1].at_s))
            if runs:
                found.append(Line(held, runs))
        return found

    def _of(self, patient: PatientInfo | None) -> Mapping[str, ResolvedLimit]:
        context = context_of(patient)
        if context not in self._known:
            self._known[context] = self.rule_set.limits.resolve(context)
        return self._known[context]


def _runs(
    values: Iterable[tuple[float, float | None]], ends_s: float
) -> Iterator[tuple[float, float, float]]:
    """Times in which a value is the same, one after the other."""
    begins_s, now = 0.0, None
    for at_s, value in values:
        if value != now:
            if now is not None and at_s > begins_s:
                yield begins_s, at_s, now
            begins_s, now = at_s, value
    if now is not None:
        yield begins_s, ends_s, now
