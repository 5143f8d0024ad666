"""What a finding may come from: for each cause what fits, what speaks against it, one look.

The order is by what is known now: the most that fits less what speaks against comes first; of
equals the one that the rule itself names. It is a help to look, never a diagnosis.
"""

from __future__ import annotations

from collections.abc import Mapping
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
    fits, fits_open = _judged(cause.fits, known)
    against, against_open = _judged(cause.against, known)
    return Weighed(cause.id, cause.title, cause.look, fits, against, fits_open + against_open)


def _judged(signs: tuple[Sign, ...], known: Moment) -> tuple[tuple[str, ...], int]:
    """In words the signs that hold, and how many what is known does not decide."""
    answers = [truth(sign.when, known.facts, known.limits) for sign in signs]
    holding = [sign for sign, answer in zip(signs, answers, strict=True) if answer]
    words = [render(s.says, known.facts, known.limits, known.unknown, 0.0) for s in holding]
    return tuple(words), answers.count(None)
