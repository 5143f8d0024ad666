"""What a finding may come from: for each cause what fits, what speaks against it, one look.

The order is by what is known now: the most that fits less what speaks against comes first; of
equals the one that the rule itself names. It is a help to look, never a diagnosis.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from rules.model import Cause, Rule, Sign
from rules.rationale import Moment, render
from rules.truth import truth


@dataclass(frozen=True, slots=True)
class Weighed:
    """One cause with its signs in words. `open` are signs that what is known does not decide."""

    cause: str
    title: str
    look: str
    fits: tuple[str, ...]
    against: tuple[str, ...]
    open: int

    @property
    def balance(self) -> int:
        """How many signs fit, less those against."""
        return len(self.fits) - len(self.against)


def weigh(rule: Rule, described: Mapping[str, Cause], known: Moment) -> list[Weighed]:
    """The causes that the rule may point to, likeliest first; only those that are described."""
    names = rule.may_be if rule.cause in rule.may_be else (rule.cause, *rule.may_be)
    causes = [described[name] for name in names if name in described]
    weighed = [_weighed(cause, known) for cause in causes]
    return sorted(weighed, key=lambda one: (-one.balance, one.cause != rule.cause))


def _weighed(cause: Cause, known: Moment) -> Weighed:
    fits, against = list(_words(cause.fits, known)), list(_words(cause.against, known))
    signs = (*cause.fits, *cause.against)
    undecided = sum(1 for s in signs if truth(s.when, known.facts, known.limits) is None)
    return Weighed(cause.id, cause.title, cause.look, tuple(fits), tuple(against), undecided)


def _words(signs: tuple[Sign, ...], known: Moment) -> Iterator[str]:
    for sign in signs:
        if truth(sign.when, known.facts, known.limits):
            yield render(sign.says, known.facts, known.limits, known.unknown, 0.0)
