"""Random rule sets, limits and snapshots, from a seed.

A small vocabulary makes facts meet their thresholds often: exactly, and a hair to either side.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Mapping
from dataclasses import replace

from rules.conditions import too_wide
from rules.limits import Confidence, LimitTable, ResolvedLimit, Source
from rules.model import (
    Comparison,
    Condition,
    Escalation,
    Group,
    LimitRef,
    Op,
    Rule,
    RuleSet,
    Unknown,
    Value,
)
from rules.priority import Harm, Onset
from rules.units import convert
from rules.vocabulary import CLASSES, MODES, PHASES, Fact, Kind

FLAG = Fact("test.flag", "a flag, which the catalogue itself has none of", "test", kind=Kind.FLAG)

# Fact -> (values that matter, unit of its limits). The limits of `temperature` are in another
# unit with another zero, those of `etco2.min_30s` in another unit with the same zero.
NUMBERS: Mapping[str, tuple[tuple[float, ...], str]] = {
    "etco2": ((0.0, 35.0, 55.0, 200.0), "mm[Hg]"),
    "etco2.min_30s": ((0.0, 39.75325, 55.0, 200.0), "kPa"),
    "spo2": ((0.0, 90.0, 95.5, 100.0), "%"),
    "breath.since": ((0.0, 0.1, 20.0, 1e7), "min"),
    "ti.ratio_to_baseline": ((0.0, 0.3, 1.0, 100.0), "1"),
    "temperature": ((0.0, 36.6, 37.5, 50.0), "[degF]"),
    "data.clock_skew": ((-1e9, -0.5, 0.0, 1e9), "s"),
    "paw.baseline": ((-20.0, -0.1, 5.0, 60.0), "cm[H2O]"),
}
LABELS: Mapping[str, tuple[str, ...]] = {
    "settings.mode": MODES,
    "patient.phase": PHASES[:3],
    "patient.class": CLASSES,
    "patient.species": ("hedgehog", "Igel, größer", 'a","p0":1,"b":"', "6", "true", "\\", "\x00"),
}
HAIRS = (0.0, 1e-7, -1e-7, 4.9e-7, 1e-6, -1e-6, 5e-7, -5e-7, 1e-3, -1e-3)
WRONG: tuple[object, ...] = (
    math.inf, -math.inf, math.nan, 1e308, -1e308, 5e-324, -0.0, 2**53 + 1, 10**400, True, False,
    None, "6", "", "unheard-of", 1e-7, 1e21,
)  # fmt: skip
ORDERINGS = (Op.ABOVE, Op.BELOW, Op.AT_LEAST, Op.AT_MOST)
EQUALITIES = (Op.IS, Op.IS_NOT)


class World:
    """A source of rule sets, limits and snapshots that belong together."""

    def __init__(self, seed: int) -> None:
        self.random = random.Random(seed)

    def rule_set(self, rules: int, depth: int = 3, width: int = 3) -> RuleSet:
        return rule_set_of(self._rule(f"r{i}", depth, width) for i in range(rules))

    def limits(self) -> dict[str, ResolvedLimit]:
        """Limits for some facts; some are absent, some missing altogether."""
        limits = {}
        for fact, (values, unit) in NUMBERS.items():
            for number in range(2):
                name = _limit_name(fact, number)
                value = self.random.choice((*values, None))
                if value is not None and unit != _OWN.get(fact, unit):
                    value = _converted(value, fact, unit)
                if self.random.random() < 0.9:
                    limits[name] = ResolvedLimit(name, value, unit)
        return limits

    def snapshot(self) -> dict[str, object]:
        facts: dict[str, object] = {}
        for fact, (values, _) in NUMBERS.items():
            facts[fact] = self.random.choice(values) + self.random.choice(HAIRS)
        for fact, labels in LABELS.items():
            facts[fact] = self.random.choice(labels)
        facts[FLAG.name] = self.random.random() < 0.5
        for fact in list(facts):
            chance = self.random.random()
            if chance < 0.2:
                del facts[fact]
            elif chance < 0.25:
                facts[fact] = self.random.choice(WRONG)
        return facts

    def some_of(self, rule_set: RuleSet) -> list[str]:
        """The ids of some of its rules, often of none."""
        share = self.random.choice((0.0, 0.1, 0.5))
        return [rule.id for rule in rule_set.rules if self.random.random() < share]

    def condition(self, depth: int, width: int) -> Condition:
        if depth == 0 or self.random.random() < 0.3:
            return self._leaf()
        members = self.random.randint(1, width)
        kind = self.random.choice(("all", "any", "none"))
        return Group(kind, tuple(self.condition(depth - 1, width) for _ in range(members)))

    def _rule(self, rule_id: str, depth: int, width: int) -> Rule:
        scope: dict[str, tuple[str, ...]] = {}
        for key, labels in (("mode", MODES), ("phase", PHASES[:3]), ("class", CLASSES)):
            if self.random.random() < 0.25:
                scope[key] = tuple(self.random.sample(labels, self.random.randint(1, 2)))
        clears = self.condition(depth - 1, width) if self.random.random() < 0.6 else None
        rule = rule_of(rule_id, self.condition(depth, width), clears, scope)
        return replace(rule, needs=self._needs(width), escalate=self._escalation(depth, width))

    def _needs(self, width: int) -> Condition | None:
        """As an author writes them: facts that must be known, now and then a condition."""
        if self.random.random() < 0.6:
            return None
        known = (Group("none", (Unknown(self.random.choice(tuple(NUMBERS))),)) for _ in range(2))
        more = [self.condition(1, width)] if self.random.random() < 0.5 else []
        return Group("all", (*list(known)[: self.random.randint(1, 2)], *more))

    def _escalation(self, depth: int, width: int) -> Escalation | None:
        if self.random.random() < 0.6:
            return None
        when = self.condition(depth, width) if self.random.random() < 0.8 else None
        return Escalation(Harm.DEATH, Onset.IMMEDIATE, 60.0, when)

    def _leaf(self) -> Condition:
        chance = self.random.random()
        if chance < 0.15:
            return Unknown(self.random.choice((*NUMBERS, *LABELS, FLAG.name)))
        if chance < 0.35:
            fact = self.random.choice(tuple(LABELS))
            label = Value(self.random.choice(LABELS[fact]))
            return Comparison(fact, self.random.choice(EQUALITIES), label)
        if chance < 0.4:
            flag = Value(self.random.random() < 0.5)
            return Comparison(FLAG.name, self.random.choice(EQUALITIES), flag)
        return self._ordering()

    def _ordering(self) -> Condition:
        fact = self.random.choice(tuple(NUMBERS))
        op = self.random.choice(ORDERINGS)
        if self.random.random() < 0.4:
            offset = self.random.choice((0.0, 0.0, -3.0, 0.1, 1e-6))
            return Comparison(
                fact, op, LimitRef(_limit_name(fact, self.random.randint(0, 1)), offset)
            )
        extreme = (1e308, -1e308, 5e-324, 1e9, -1e9, 2.5e9)
        pool = extreme if self.random.random() < 0.05 else NUMBERS[fact][0]
        value = self.random.choice(pool) + self.random.choice(HAIRS)
        return Comparison(fact, op, Value(value))


_OWN = {
    "etco2.min_30s": "mm[Hg]",
    "breath.since": "s",
    "temperature": "Cel",
}


def _converted(value: float, fact: str, unit: str) -> float:
    return convert(value, _OWN[fact], unit)


def _limit_name(fact: str, number: int) -> str:
    return f"{fact.replace('.', '_')}_{number}"


def narrow(rule: Rule) -> bool:
    """Whether the engines take every condition of the rule."""
    wholes = [rule.needing(rule.when), rule.needing(rule.clearing)]
    if rule.escalate is not None and rule.escalate.when is not None:
        wholes.append(rule.escalate.when)
    return not any(too_wide(whole) for whole in wholes)


def rule_of(
    rule_id: str,
    when: Condition,
    clears: Condition | None = None,
    only_in: Mapping[str, tuple[str, ...]] | None = None,
) -> Rule:
    """A rule of which only the conditions matter."""
    return Rule(
        id=rule_id,
        title=rule_id,
        when=when,
        clears=clears,
        only_in=dict(only_in or {}),
        harm=Harm.REVERSIBLE,
        onset=Onset.PROMPT,
        cause="none",
        says=rule_id,
        because=rule_id,
        source=Source("made up for a test", Confidence.MEMORY),
    )


def rule_set_of(rules: Iterable[Rule]) -> RuleSet:
    """A rule set of which only the rules matter."""
    return RuleSet(
        name="test",
        version="0.0.0",
        title="",
        summary="",
        caution="",
        rules=tuple(rules),
        limits=LimitTable(),
        sha256="",
    )
