"""What stands first, and what explains what. Neither depends on the order of rules or findings.

One that stands explains those that its rule outranks, unless its own condition has ended and it
only waits to be acknowledged: what is over explains nothing. It never explains one that is more
urgent than itself, so one that escalates comes out from under it. An advisory is shown under the
nearest that explains it, which is the one whose own rule outranks it; of several, under the
highest, then the oldest, then by name. So where A explains B and B explains C, C is shown under B
and B under A. Rules never outrank each other in a circle, so every such chain ends at one that
nothing explains.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rules.model import RuleSet
from service.advisories.model import Advisory


def in_order(standing: Iterable[Advisory]) -> list[Advisory]:
    """Highest first: by priority, then the oldest; what is explained after what explains it."""
    return sorted(
        standing, key=lambda a: (a.outranked_by is not None, -a.priority.rank, a.onset_ms, a.rule)
    )


def explained_by(standing: Sequence[Advisory], rule_set: RuleSet) -> dict[str, str]:
    """For each advisory (by id) that another explains, the id of that one."""
    found: dict[str, str] = {}
    for above in sorted(standing, key=lambda a: (-a.priority.rank, a.onset_ms, a.rule)):
        explains = rule_set.rule(above.rule).outranks if above.ended_ms is None else ()
        for advisory in standing:
            if advisory.rule in explains and advisory.priority.rank <= above.priority.rank:
                found.setdefault(advisory.id, above.id)
    return found


def beneath(standing: Sequence[Advisory], identity: str) -> list[Advisory]:
    """All that the advisory with this id explains, also through others, in the order given."""
    over = {advisory.id: advisory.outranked_by for advisory in standing}

    def is_beneath(advisory: Advisory) -> bool:
        above = advisory.outranked_by
        while above is not None and above != identity:
            above = over.get(above)
        return above == identity

    return [advisory for advisory in standing if is_beneath(advisory)]
