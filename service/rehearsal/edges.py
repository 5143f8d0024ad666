"""Values on either side of a rule's edges: a condition just holds with them, or just does not.

A scenario with such values notices any change of a limit, however small.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from rules.conditions import Every, Known, Leaf, Some, Tree, leaves_of, normal
from rules.engine.guard import FactValue
from rules.limits import ResolvedLimit
from rules.model import Comparison, Condition, LimitRef, Op, Unknown
from rules.mutation import MOVE
from rules.rationale import leaf_holds, operand_value
from rules.truth import truth
from rules.vocabulary import CATALOGUE, Fact, Kind

Values = dict[str, FactValue | None]
"""Facts by name; None for one that is unknown."""

_UP: Final = (Op.ABOVE, Op.AT_LEAST)
_STRICT: Final = (Op.ABOVE, Op.BELOW)


@dataclass(frozen=True, slots=True)
class Ground:
    """Where values begin: those of a healthy animal, and the limits that hold for it."""

    healthy: Mapping[str, FactValue | None]
    limits: Mapping[str, ResolvedLimit]


def ways(condition: Condition) -> list[tuple[Leaf, ...]]:
    """Every set of clauses that makes the condition true."""
    return _ways(normal(condition))


def _ways(tree: Tree[Leaf]) -> list[tuple[Leaf, ...]]:
    if isinstance(tree, Some):
        return [way for member in tree.members for way in _ways(member)]
    if isinstance(tree, Every):
        combined = itertools.product(*(_ways(member) for member in tree.members))
        return [tuple(itertools.chain.from_iterable(parts)) for parts in combined]
    return [(tree,)]


def just_holding(
    way: Sequence[Leaf],
    condition: Condition,
    ground: Ground,
    start: Mapping[str, FactValue | None],
    *,
    keep: bool = False,
) -> Values | None:
    """Values with which these clauses just hold, and no other does that would do as well.

    They change `start`, with `keep` only where it does not hold. None where there are none.
    """
    values = dict(start)
    for fact, leaves in _by_fact(way).items():
        if keep and all(_holds(leaf, values, ground) for leaf in leaves):
            continue
        for value in _candidates(leaves, ground, values.get(fact), holding=True):
            values[fact] = value
            if all(_holds(leaf, values, ground) for leaf in leaves):
                break
        else:
            return None
    others = [leaf for leaf in leaves_of(condition) if leaf not in way]
    for leaf in others if not keep else ():
        if _holds(leaf, values, ground) and not any(one.fact == leaf.fact for one in way):
            _let_fail(leaf, values, ground)
    return values if truth(condition, known(values), ground.limits) is True else None


def just_short(
    leaf: Leaf, holding: Mapping[str, FactValue | None], condition: Condition, ground: Ground
) -> Values | None:
    """The values changed so that this one clause just fails, and the condition with it."""
    values = dict(holding)
    for value in _candidates([leaf], ground, ground.healthy.get(leaf.fact), holding=False):
        values[leaf.fact] = value
        if truth(condition, known(values), ground.limits) is not True:
            return values
    return None


def _let_fail(leaf: Leaf, values: Values, ground: Ground) -> None:
    before = values.get(leaf.fact)
    for value in _candidates([leaf], ground, ground.healthy.get(leaf.fact), holding=False):
        values[leaf.fact] = value
        if not _holds(leaf, values, ground):
            return
    values[leaf.fact] = before


def _candidates(
    leaves: Sequence[Leaf], ground: Ground, healthy: FactValue | None, *, holding: bool
) -> Iterator[FactValue | None]:
    """Values to try for one fact, the closest to the edge of a clause first."""
    # A value at an edge is known as well, so that need not be asked for first.
    for leaf in sorted(leaves, key=lambda leaf: not isinstance(leaf, Comparison)):
        yield from _edge(leaf, ground, healthy, holding=holding)
    # A range: between the edges, and where a healthy animal is.
    edges = [number for leaf in leaves for number in _numbers(leaf, ground)]
    if len(edges) > 1:
        yield sum(edges) / len(edges)
    yield healthy


def _edge(
    leaf: Leaf, ground: Ground, healthy: FactValue | None, *, holding: bool
) -> Iterator[FactValue | None]:
    fact = CATALOGUE[leaf.fact]
    if isinstance(leaf, Unknown | Known):
        if isinstance(leaf, Unknown) == holding:
            yield None
        else:
            yield _some_value(fact) if healthy is None else healthy
        return
    numbers = list(_numbers(leaf, ground))
    if numbers:
        yield _beside(leaf.op, numbers[0], fact, holding=holding)
    elif not isinstance(leaf.operand, LimitRef):
        yield from _words(leaf, leaf.operand.value, fact, holding=holding)


def _words(leaf: Comparison, value: FactValue, fact: Fact, *, holding: bool) -> Iterator[FactValue]:
    if (leaf.op is Op.IS) == holding:
        yield value
    elif isinstance(value, bool):
        yield not value
    else:
        yield from (label for label in fact.labels if label != value)


def _beside(op: Op, edge: float, fact: Fact, *, holding: bool) -> float:
    """The edge itself, or the next value that can be told from it, on the side asked for."""
    step = min(10.0**-fact.digits, MOVE * abs(edge) / 2.0) or 10.0**-fact.digits
    inward = step if op in _UP else -step
    value = edge
    if op in _STRICT and holding:
        value = edge + inward
    elif op not in _STRICT and not holding:
        value = edge - inward
    return min(fact.high, max(fact.low, round(value, 6)))


def _numbers(leaf: Leaf, ground: Ground) -> Iterator[float]:
    """The number that a clause compares with, in the unit of its fact."""
    operand = operand_value(leaf, ground.limits) if isinstance(leaf, Comparison) else None
    if isinstance(operand, float):
        yield operand


def _some_value(fact: Fact) -> FactValue:
    if fact.kind is Kind.FLAG:
        return False
    if fact.kind is Kind.LABEL:
        return fact.labels[0] if fact.labels else "some"
    return max(fact.low, min(fact.high, 1.0))


def _by_fact(way: Iterable[Leaf]) -> dict[str, list[Leaf]]:
    found: dict[str, list[Leaf]] = {}
    for leaf in way:
        found.setdefault(leaf.fact, []).append(leaf)
    return found


def _holds(leaf: Leaf, values: Values, ground: Ground) -> bool:
    return leaf_holds(leaf, known(values), ground.limits) is True


def known(values: Mapping[str, FactValue | None]) -> dict[str, FactValue]:
    """The values that are known."""
    return {name: value for name, value in values.items() if value is not None}
