"""What keeps a condition from coming true: the fewest clauses that would have to change.

Of `any` the way with the fewest obstacles counts, of `all` every obstacle. A clause that is not
known is an obstacle too.
"""

from __future__ import annotations

from collections.abc import Mapping

from rules.conditions import Every, Leaf, Some, Tree, normal
from rules.engine.guard import FactValue
from rules.limits import ResolvedLimit
from rules.model import Condition
from rules.rationale import ClauseResult, Moment, clause_of


def obstacles(
    condition: Condition,
    facts: Mapping[str, FactValue],
    limits: Mapping[str, ResolvedLimit],
    unknown: Mapping[str, str],
) -> list[ClauseResult]:
    """The clauses in the way, in the order written; none when the condition holds."""
    return _in_the_way(normal(condition), Moment(facts, limits, unknown))


def _in_the_way(tree: Tree[Leaf], moment: Moment) -> list[ClauseResult]:
    if isinstance(tree, Every):
        return [clause for member in tree.members for clause in _in_the_way(member, moment)]
    if isinstance(tree, Some):
        return min((_in_the_way(member, moment) for member in tree.members), key=len)
    clause = clause_of(tree, moment)
    return [] if clause.holds else [clause]
