"""The oracle over many moments at once: a column of picks for each fact, answers as arrays.

A fact takes its values from a pool. What one comparison answers is worked out once for each value
of the pool, with the oracle, and then looked up; groups join the columns. Three values as -1, 0
and 1 make strong Kleene logic plain: `all` is the least, `any` the greatest, `none` its opposite
(Kleene 1952, section 64). Shares no code with the engines.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from oracle import SCOPE, truth, usable
from worlds import HAIRS, WRONG

from rules.limits import ResolvedLimit
from rules.model import Comparison, Condition, Group, LimitRef, Rule, RuleSet, Unknown, leaves
from rules.units import convert
from rules.vocabulary import CATALOGUE, Kind

ABSENT = object()
Limits = Mapping[str, ResolvedLimit]
Answers = NDArray[np.int8]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Column:
    """The values that one fact takes, moment by moment."""

    pool: Sequence[object]
    picks: NDArray[np.int32]

    def values(self) -> list[object]:
        cells = np.empty(len(self.pool), dtype=object)
        cells[:] = self.pool
        return list(cells[self.picks])


@dataclass(frozen=True)
class Moments:
    """Many moments: their facts, and for each which of the sets of limits it has."""

    columns: Mapping[str, Column]
    limit_sets: Sequence[Limits]
    limit_picks: NDArray[np.int32]

    def rows(self) -> Iterator[tuple[dict[str, object], Limits]]:
        names = list(self.columns)
        cells = zip(*(column.values() for column in self.columns.values()), strict=True)
        for row, pick in zip(cells, self.limit_picks.tolist(), strict=True):
            pairs = zip(names, row, strict=True)
            facts = {name: value for name, value in pairs if value is not ABSENT}
            yield facts, self.limit_sets[pick]


def pools_for(rule_set: RuleSet, limit_sets: Sequence[Limits], seed: int) -> dict[str, list[Any]]:
    """For each fact that the rule set reads: its thresholds and a hair to either side, values in
    between, values of the wrong kind."""
    chance = random.Random(seed)
    pools: dict[str, list[Any]] = {name: [] for rule in rule_set.rules for name in rule.facts()}
    for rule in rule_set.rules:
        for leaf in (leaf for c in rule.conditions().values() for leaf in leaves(c)):
            if isinstance(leaf, Comparison):
                pools[leaf.fact].extend(_thresholds(leaf, limit_sets))
        for key, labels in rule.only_in.items():
            pools[SCOPE[key]].extend(labels)
    return {name: _pool(name, found, chance) for name, found in pools.items()}


def _thresholds(leaf: Comparison, limit_sets: Sequence[Limits]) -> Iterator[object]:
    if not isinstance(leaf.operand, LimitRef):
        yield leaf.operand.value
        return
    for limits in limit_sets:
        limit = limits.get(leaf.operand.name)
        if limit is not None and limit.value is not None:
            unit = CATALOGUE[leaf.fact].unit
            yield convert(limit.value, limit.unit, unit) + leaf.operand.offset


def _pool(name: str, thresholds: Iterable[Any], chance: random.Random) -> list[Any]:
    fact = CATALOGUE[name]
    found = sorted(set(thresholds))
    if fact.kind is Kind.FLAG:
        return [True, False]
    if fact.kind is Kind.LABEL:
        return [*dict.fromkeys((*found, *fact.labels, "Igel, größer"))]
    inside = [value for value in found if fact.low <= value <= fact.high] or [0.0]
    low, high = max(fact.low, min(inside) - 1.0), min(fact.high, max(inside) + 1.0)
    hairs = [chance.choice(found or [0.0]) + chance.choice(HAIRS) for _ in range(150)]
    return [*hairs, *(chance.uniform(low, high) for _ in range(150)), fact.low, fact.high]


def moments_of(
    pools: Mapping[str, Sequence[object]], limit_sets: Sequence[Limits], count: int, seed: int
) -> Moments:
    """Moments at random: one value in seven is missing, one in thirty of the wrong kind."""
    generator = np.random.default_rng(seed)
    columns = {}
    for name, pool in pools.items():
        good, wrong = len(pool), len(WRONG)
        kind = generator.random(count)
        picks = generator.integers(0, good, count)
        bad = good + generator.integers(0, wrong, count)
        picks = np.where(kind < 0.03, bad, picks)
        picks = np.where(kind > 0.86, good + wrong, picks)
        columns[name] = Column([*pool, *WRONG, ABSENT], picks.astype(np.int32))
    limit_picks = generator.integers(0, len(limit_sets), count).astype(np.int32)
    return Moments(columns, limit_sets, limit_picks)


def expected_in_columns(rule_set: RuleSet, moments: Moments) -> dict[str, Flags]:
    """For each condition key whether it holds, moment by moment."""
    answers: dict[str, Flags] = {}
    for rule in rule_set.rules:
        needed = True if rule.needs is None else _column(rule.needs, moments) == 1
        when, scope = _column(rule.when, moments), _scope(rule, moments)
        clears = when == -1 if rule.clears is None else _column(rule.clears, moments) == 1
        answers[f"{rule.id}/when"] = needed & (when == 1) & (scope == 1)
        answers[f"{rule.id}/clears"] = needed & clears
        if rule.only_in:
            answers[f"{rule.id}/in_scope"] = scope != -1
        if rule.escalate is not None and rule.escalate.when is not None:
            answers[f"{rule.id}/escalates"] = _column(rule.escalate.when, moments) == 1
    return answers


def _column(condition: Condition, moments: Moments) -> Answers:
    if isinstance(condition, Group):
        members = [_column(member, moments) for member in condition.members]
        if condition.kind == "all":
            return np.minimum.reduce(members)
        greatest = np.maximum.reduce(members)
        return greatest if condition.kind == "any" else np.negative(greatest)
    column = moments.columns[condition.fact]
    known = [{condition.fact: v} if usable(condition.fact, v) else {} for v in column.pool]
    if isinstance(condition, Unknown) or not isinstance(condition.operand, LimitRef):
        return np.array([_sign(truth(condition, f, {})) for f in known], np.int8)[column.picks]
    name = condition.operand.name
    tables: dict[object, list[int]] = {}
    for limits in moments.limit_sets:
        if limits.get(name) not in tables:
            tables[limits.get(name)] = [_sign(truth(condition, f, limits)) for f in known]
    table = np.array([tables[limits.get(name)] for limits in moments.limit_sets], np.int8)
    return table[moments.limit_picks, column.picks]


def _scope(rule: Rule, moments: Moments) -> Answers:
    answers = [np.ones(len(moments.limit_picks), np.int8)]
    for key, labels in rule.only_in.items():
        column = moments.columns[SCOPE[key]]
        table = [
            0 if not usable(SCOPE[key], value) else 1 if value in labels else -1
            for value in column.pool
        ]
        answers.append(np.array(table, np.int8)[column.picks])
    return np.minimum.reduce(answers)


def _sign(answer: bool | None) -> int:
    return 0 if answer is None else 1 if answer else -1
