"""Whether one condition holds, by strong Kleene logic, without an engine.

For what is asked once, as when an advisory is written; the engines serve every moment.
"""

from __future__ import annotations

from collections.abc import Mapping

from rules.conditions import Every, Leaf, Some, Tree, normal
from rules.engine.guard import FactValue
from rules.limits import ResolvedLimit
from rules.model import Condition
from rules.rationale import leaf_holds


def truth(
    condition: Condition, facts: Mapping[str, FactValue], limits: Mapping[str, ResolvedLimit]
) -> bool | None:
    """True, false, or None where what is known does not decide it."""
    return _truth(normal(condition), facts, limits)


def _truth(
    tree: Tree[Leaf], facts: Mapping[str, FactValue], limits: Mapping[str, ResolvedLimit]
) -> bool | None:
    if not isinstance(tree, Every | Some):
        return leaf_holds(tree, facts, limits)
    answers = [_truth(member, facts, limits) for member in tree.members]
    # In `all` one false member decides, in `any` one true one.
    decides = isinstance(tree, Some)
    if decides in answers:
        return decides
    return None if None in answers else not decides
