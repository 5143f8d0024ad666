"""The rule language as data: conditions, rules and rule sets, all immutable.

Numbers are already in the unit of the fact they belong to; text was checked when it was loaded.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final, Literal

from rules.limits import Approval, LimitTable, Source
from rules.priority import Harm, Onset, Priority, priority_of
from rules.templates import template_fields

__all__ = [
    "AGAIN_S",
    "SCOPE_FACTS",
    "Approval",
    "Cause",
    "Comparison",
    "Condition",
    "Escalation",
    "Group",
    "GroupKind",
    "LimitRef",
    "Op",
    "Operand",
    "Parameter",
    "Remind",
    "Rule",
    "RuleSet",
    "Sign",
    "Source",
    "Unknown",
    "Value",
    "leaves",
]

SCOPE_FACTS: Mapping[str, str] = {
    "mode": "settings.mode",
    "phase": "patient.phase",
    "class": "patient.class",
}
"""The keys of `only_in`, and the fact whose label each of them names."""


AGAIN_S: Final = 120.0
"""A finding that comes back within this time after it was over is the old one, come and gone."""


class Op(StrEnum):
    """The comparisons of the language."""

    ABOVE = "above"
    BELOW = "below"
    AT_LEAST = "at_least"
    AT_MOST = "at_most"
    IS = "is"
    IS_NOT = "is_not"


@dataclass(frozen=True, slots=True)
class Value:
    """A constant: a number in the fact's unit, true or false, or a label."""

    value: float | bool | str

    def __post_init__(self) -> None:
        if isinstance(self.value, float) and not math.isfinite(self.value):
            raise ValueError("a constant must be a finite number")


@dataclass(frozen=True, slots=True)
class LimitRef:
    """A limit by name, moved by `offset` (in the unit of the fact it is compared to)."""

    name: str
    offset: float = 0.0

    def __post_init__(self) -> None:
        if not math.isfinite(self.offset):
            raise ValueError("an offset must be a finite number")


Operand = Value | LimitRef


@dataclass(frozen=True, slots=True)
class Comparison:
    """`fact op operand`. Unknown when the fact is absent or the limit has no value."""

    fact: str
    op: Op
    operand: Operand


@dataclass(frozen=True, slots=True)
class Unknown:
    """True when the fact is absent, false when it is there; never unknown itself."""

    fact: str


GroupKind = Literal["all", "any", "none"]


@dataclass(frozen=True, slots=True)
class Group:
    """Members joined by strong Kleene logic; `none` is not `any`. Never empty."""

    kind: GroupKind
    members: tuple[Condition, ...]

    def __post_init__(self) -> None:
        if not self.members:
            raise ValueError(f"an empty {self.kind!r} group says nothing")


Condition = Comparison | Unknown | Group


def leaves(condition: Condition) -> Iterator[Comparison | Unknown]:
    """Every comparison and every `unknown` of a condition, in the order written."""
    if isinstance(condition, Group):
        for member in condition.members:
            yield from leaves(member)
    else:
        yield condition


def sign_facts(sign: Sign) -> frozenset[str]:
    """Every fact that a sign reads or tells."""
    return frozenset(leaf.fact for leaf in leaves(sign.when)) | _told(sign.says)


def _told(template: str) -> frozenset[str]:
    fields = template_fields(template)
    return frozenset(field.name for field in fields if field.kind == "fact")


@dataclass(frozen=True, slots=True)
class Remind:
    """How often an advisory that still stands speaks again (s); None: never."""

    raised_s: float | None = None
    acknowledged_s: float | None = None


@dataclass(frozen=True, slots=True)
class Escalation:
    """When a standing advisory becomes more urgent: `when` has held for `for_s` while it stood.

    Without `when` its standing alone counts. Harm and onset give the new priority.
    """

    harm: Harm
    onset: Onset
    for_s: float = 0.0
    when: Condition | None = None

    @property
    def priority(self) -> Priority:
        """Follows from harm and onset (IEC 60601-1-8, Table 1)."""
        return priority_of(self.harm, self.onset)


@dataclass(frozen=True, slots=True)
class Sign:
    """Something that speaks for or against a cause while `when` holds; `says` is a template."""

    when: Condition
    says: str


@dataclass(frozen=True, slots=True)
class Cause:
    """What findings may point to. `look` is the one look that settles whether it is this."""

    id: str
    title: str
    look: str
    fits: tuple[Sign, ...] = ()
    against: tuple[Sign, ...] = ()
    source: Source | None = None


@dataclass(frozen=True, slots=True)
class Parameter:
    """A number that a site may set within `low` to `high`, all in `unit` (UCUM).

    Where rules use it, it already stands as a plain number.
    """

    name: str
    meaning: str
    unit: str
    value: float
    low: float
    high: float
    source: Source
    approved: Approval | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One rule. `for_s` and `clears_for_s` are in seconds; `clears` None leaves it to `clearing`.

    `only_in` maps a key of SCOPE_FACTS to the labels in which the rule applies. While `needs` does
    not hold the rule neither begins nor clears. `may_be` names the causes to weigh, `cause` among
    them. `again_s` is the time within which a return makes it one intermittent advisory.
    """

    id: str
    title: str
    when: Condition
    harm: Harm
    onset: Onset
    cause: str
    says: str
    because: str
    source: Source
    only_in: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    for_s: float = 0.0
    clears: Condition | None = None
    clears_for_s: float = 0.0
    needs: Condition | None = None
    latch: bool = False
    remind: Remind = Remind()
    escalate: Escalation | None = None
    again_s: float = AGAIN_S
    may_be: tuple[str, ...] = ()
    outranks: tuple[str, ...] = ()
    look_at: tuple[str, ...] = ()
    caution: str = ""

    @property
    def priority(self) -> Priority:
        """Follows from harm and onset (IEC 60601-1-8, Table 1)."""
        return priority_of(self.harm, self.onset)

    @property
    def clearing(self) -> Condition:
        """What ends an advisory of this rule: its `clears`, else that `when` is known not to hold.

        Not known is not over: a sensor that falls off must not clear what it was reporting.
        """
        return self.clears or Group("none", (self.when,))

    def needing(self, condition: Condition) -> Condition:
        """The condition together with what the rule needs."""
        return condition if self.needs is None else Group("all", (self.needs, condition))

    def facts(self) -> frozenset[str]:
        """Every fact that the conditions and `only_in` read."""
        scope = (SCOPE_FACTS[key] for key in self.only_in)
        return frozenset(leaf.fact for leaf in self._leaves()) | frozenset(scope)

    def facts_told(self) -> frozenset[str]:
        """Every fact that `says` and `because` give the value of."""
        return _told(self.says) | _told(self.because)

    def limit_names(self) -> frozenset[str]:
        """Every limit that the conditions compare with."""
        return frozenset(
            leaf.operand.name
            for leaf in self._leaves()
            if isinstance(leaf, Comparison) and isinstance(leaf.operand, LimitRef)
        )

    def conditions(self) -> dict[str, Condition]:
        """Its conditions by the key they have in the rule; those that are left out are not in."""
        escalates = self.escalate.when if self.escalate is not None else None
        written = {
            "when": self.when,
            "clears": self.clears,
            "needs": self.needs,
            "escalate": escalates,
        }
        return {key: condition for key, condition in written.items() if condition is not None}

    def _leaves(self) -> Iterator[Comparison | Unknown]:
        for condition in self.conditions().values():
            yield from leaves(condition)


@dataclass(frozen=True, kw_only=True)
class RuleSet:
    """A named version of rules with their limits. `sha256` is the hash of the files as given.

    `parent` is NAME@VERSION of the rule set that a site's own one builds on; `without` are rules
    of it that the site has left out, each with who approved that. `groups` names for each rule the
    file, without its ending, that it is written in.
    """

    name: str
    version: str
    title: str
    summary: str
    caution: str
    rules: tuple[Rule, ...]
    limits: LimitTable
    sha256: str
    causes: Mapping[str, Cause] = field(default_factory=dict)
    parameters: Mapping[str, Parameter] = field(default_factory=dict)
    without: Mapping[str, Approval] = field(default_factory=dict)
    parent: str | None = None
    groups: Mapping[str, str] = field(default_factory=dict)

    @functools.cached_property
    def by_id(self) -> Mapping[str, Rule]:
        """Its rules by their ids."""
        return {rule.id: rule for rule in self.rules}

    @property
    def spec(self) -> str:
        """NAME@VERSION."""
        return f"{self.name}@{self.version}"

    def facts(self) -> frozenset[str]:
        """Every fact that some rule or sign reads or tells in its texts."""
        rules = (rule.facts() | rule.facts_told() for rule in self.rules)
        return frozenset().union(*rules, *(sign_facts(sign) for sign in self._signs()))

    def _signs(self) -> Iterator[Sign]:
        for cause in self.causes.values():
            yield from (*cause.fits, *cause.against)

    def rule(self, rule_id: str) -> Rule:
        """The rule with this id; KeyError when there is none."""
        return self.by_id[rule_id]
