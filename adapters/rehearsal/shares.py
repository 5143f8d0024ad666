"""How much of a rule set scenarios put to the test: so many of so many."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Protocol

from rules.coverage import Coverage


@dataclass(frozen=True, slots=True)
class Share:
    """So many of so many."""

    count: int
    of: int

    @property
    def value(self) -> float:
        """From 0 to 1; of nothing everything."""
        return self.count / self.of if self.of else 1.0


class OfAKind(Protocol):
    """A small change of the rules."""

    @property
    def kind(self) -> str:
        """How it changes them."""


def clause_share(coverage: Coverage) -> Share:
    """Clauses that were seen true, false and deciding."""
    seen = coverage.clauses.values()
    return Share(sum(one.whole for one in seen), len(seen))


def noticed_share(
    made: Mapping[str, int], unnoticed: Iterable[OfAKind], kinds: Collection[str] | None = None
) -> Share:
    """Small changes that some scenario notices, of those `made` (how many, by kind).

    With `kinds` only changes of these.
    """
    total = sum(count for kind, count in made.items() if kinds is None or kind in kinds)
    left = sum(kinds is None or one.kind in kinds for one in unnoticed)
    return Share(total - left, total)
