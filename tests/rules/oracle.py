"""What a rule set should answer, worked out the slow way.

Walks the tree as the author wrote it with the three values of strong Kleene logic (true, false,
unknown as None; Kleene 1952, section 64). Shares no code with the engines: no normal form, no
properties, its own rounding, its own idea of a usable fact.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Collection, Mapping
from fractions import Fraction
from typing import Any

from rules.limits import ResolvedLimit
from rules.model import Comparison, Condition, Group, LimitRef, Rule, RuleSet, Unknown
from rules.units import convert
from rules.vocabulary import CATALOGUE

SCOPE = {"mode": "settings.mode", "phase": "patient.phase", "class": "patient.class"}


def expected(
    rule_set: RuleSet, facts: Mapping[str, object], limits: Mapping[str, ResolvedLimit]
) -> frozenset[str]:
    """The condition keys that hold."""
    known = {name: value for name, value in facts.items() if usable(name, value)}
    found = set()
    for rule in rule_set.rules:
        needed = rule.needs is None or truth(rule.needs, known, limits) is True
        when = truth(rule.when, known, limits)
        if needed and when is True and _scope(rule, known) is True:
            found.add(f"{rule.id}/when")
        clears = when is False
        if rule.clears is not None:
            clears = truth(rule.clears, known, limits) is True
        if needed and clears:
            found.add(f"{rule.id}/clears")
        if rule.only_in and _scope(rule, known) is not False:
            found.add(f"{rule.id}/in_scope")
        harder = rule.escalate.when if rule.escalate else None
        if harder is not None and truth(harder, known, limits) is True:
            found.add(f"{rule.id}/escalates")
    return frozenset(found)


def followed(answer: frozenset[str], following: Collection[str]) -> frozenset[str]:
    """Of these keys every `when`, and the rest of rules followed or whose `when` is among them."""
    begun = {key.removesuffix("/when") for key in answer if key.endswith("/when")}
    asked = begun.union(following)
    return frozenset(k for k in answer if k.endswith("/when") or k.partition("/")[0] in asked)


def truth(
    condition: Condition, facts: Mapping[str, object], limits: Mapping[str, ResolvedLimit]
) -> bool | None:
    """True, false or None (unknown); `facts` holds usable ones only."""
    if isinstance(condition, Unknown):
        return condition.fact not in facts
    if isinstance(condition, Comparison):
        return _compare(condition, facts, limits)
    assert isinstance(condition, Group)
    answers = [truth(member, facts, limits) for member in condition.members]
    if condition.kind == "all":
        return _all(answers)
    any_of = _negated(_all([_negated(answer) for answer in answers]))
    return any_of if condition.kind == "any" else _negated(any_of)


def _all(answers: list[bool | None]) -> bool | None:
    if False in answers:
        return False
    return None if None in answers else True


def _negated(answer: bool | None) -> bool | None:
    return None if answer is None else not answer


def _scope(rule: Rule, facts: Mapping[str, object]) -> bool | None:
    answers: list[bool | None] = []
    for key, labels in rule.only_in.items():
        fact = SCOPE[key]
        answers.append(facts[fact] in labels if fact in facts else None)
    return _all(answers)


def _compare(
    comparison: Comparison, facts: Mapping[str, object], limits: Mapping[str, ResolvedLimit]
) -> bool | None:
    if comparison.fact not in facts:
        return None
    value: Any = facts[comparison.fact]
    operand = comparison.operand
    if isinstance(operand, LimitRef):
        limit = limits.get(operand.name)
        if limit is None or limit.value is None:
            return None
        unit = CATALOGUE[comparison.fact].unit
        right: Any = convert(limit.value, limit.unit, unit) + operand.offset
    else:
        right = operand.value
    if comparison.op in ("is", "is_not"):
        return (value == right) == (comparison.op == "is")
    left_number, right_number = _rounded(float(value)), _rounded(float(right))
    if comparison.op in ("above", "at_most"):
        above = left_number > right_number
        return above if comparison.op == "above" else not above
    below = left_number < right_number
    return below if comparison.op == "below" else not below


@functools.lru_cache(maxsize=10_000)
def _rounded(number: float) -> int:
    """Millionths, to the nearest even, of the number as a float would hold them."""
    if abs(number) > 2_000_000_000:
        return 2_000_000_000_000_000 * (1 if number > 0 else -1)
    scaled = Fraction(float(Fraction(number) * 1_000_000))
    whole = scaled.numerator // scaled.denominator
    rest = scaled - whole
    up = rest > Fraction(1, 2) or (rest == Fraction(1, 2) and whole % 2 == 1)
    return whole + int(up)


def usable(name: str, value: object) -> bool:
    """Whether a value may be compared: of the kind of its fact, and plausible."""
    if name not in CATALOGUE:
        return False
    fact = CATALOGUE[name]
    if fact.kind == "flag":
        return value is True or value is False
    if fact.kind == "label":
        return isinstance(value, str) and value != "" and (not fact.labels or value in fact.labels)
    if type(value) not in (int, float):
        return False
    number = float("nan") if abs(value) > 10**300 else float(value)
    return not math.isnan(number) and number >= fact.low and number <= fact.high
