"""Whether one condition holding always means that another holds too.

Used to tell a rule that may fall silent from one that can only speak more. A yes is certain; a
no may only mean that it could not be shown.
"""

from __future__ import annotations

from itertools import product

from rules.conditions import Every, Known, Leaf, Some, Tree, millionths, normal
from rules.model import Comparison, Condition, LimitRef, Op

_UPWARD = (Op.ABOVE, Op.AT_LEAST)
_DOWNWARD = (Op.BELOW, Op.AT_MOST)


def implies(one: Condition | None, other: Condition | None) -> bool:
    """Whether `other` is sure to hold whenever `one` does; None always holds.

    Limits are compared by name: a limit whose value differs is not seen here.
    """
    if other is None or one == other:
        return True
    if one is None:
        return False
    wanted = normal(other)
    return all(_shows(way, wanted) for way in _ways(normal(one)))


def limit_uses(condition: Condition) -> list[tuple[str, bool]]:
    """The limits a condition asks for, and of each whether it must be passed upwards."""
    return [
        (leaf.operand.name, leaf.op in _UPWARD)
        for way in _ways(normal(condition))
        for leaf in way
        if isinstance(leaf, Comparison) and isinstance(leaf.operand, LimitRef)
    ]


def _ways(tree: Tree[Leaf]) -> list[tuple[Leaf, ...]]:
    """Each way in which the tree can come true, as the leaves that then hold."""
    if isinstance(tree, Some):
        return [way for member in tree.members for way in _ways(member)]
    if isinstance(tree, Every):
        combined = product(*(_ways(member) for member in tree.members))
        return [tuple(leaf for way in ways for leaf in way) for ways in combined]
    return [(tree,)]


def _shows(way: tuple[Leaf, ...], wanted: Tree[Leaf]) -> bool:
    if isinstance(wanted, Every):
        return all(_shows(way, member) for member in wanted.members)
    if isinstance(wanted, Some):
        return any(_shows(way, member) for member in wanted.members)
    return any(_leaf_shows(leaf, wanted) for leaf in way)


def _leaf_shows(one: Leaf, other: Leaf) -> bool:
    if one == other:
        return True
    if one.fact != other.fact or not isinstance(one, Comparison):
        return False
    if not isinstance(other, Comparison):
        return isinstance(other, Known)
    if one.op is Op.IS and other.op is Op.IS_NOT:
        return one.operand != other.operand
    for direction, strict in ((_UPWARD, Op.ABOVE), (_DOWNWARD, Op.BELOW)):
        if one.op in direction and other.op in direction:
            return _further(one, other, strict)
    return False


def _further(one: Comparison, other: Comparison, strict: Op) -> bool:
    """Whether the threshold of `one` lies at that of `other` or beyond it."""
    left, right = _threshold(one), _threshold(other)
    if left is None or right is None or left[0] != right[0]:
        return False
    if left[1] == right[1]:
        return one.op is strict or other.op is not strict
    return (left[1] > right[1]) == (strict is Op.ABOVE)


def _threshold(leaf: Comparison) -> tuple[str, int] | None:
    """The limit's name (or nothing) and the number, in millionths of the fact's unit."""
    if isinstance(leaf.operand, LimitRef):
        return leaf.operand.name, millionths(leaf.operand.offset)
    value = leaf.operand.value
    return None if isinstance(value, bool | str) else ("", millionths(value))
