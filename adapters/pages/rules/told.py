"""Rules as templates tell them: conditions as trees of words, rules by group, changes by weight."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any, Final

from adapters.texts import texts
from rules.changes import Change, Part, Step, by_subject
from rules.condition_words import clause_words, condition_lines, number_words
from rules.limits import Confidence, Limit, Source
from rules.model import Cause, Condition, Group, Rule, RuleSet, Sign
from rules.rule_words import (
    LATCHES,
    escalation_words,
    remind_words,
    scope,
    scope_words,
    seconds_words,
    template_words,
)


@dataclass(frozen=True, slots=True)
class Words:
    """A clause, or a group with its members."""

    words: str
    members: tuple[Words, ...] = ()


def tree(condition: Condition) -> Words:
    """A condition as it is read: each clause, and what of each group must hold."""
    if not isinstance(condition, Group):
        return Words(clause_words(condition))
    head = condition_lines(condition)[0].words
    return Words(head, tuple(map(tree, condition.members)))


def sure(source: Source) -> str:
    """The key of the text that says how well something is supported."""
    return f"sure_{source.confidence.name.lower()}"


def by_group(
    rule_set: RuleSet, *, to_approve: bool, find: str = ""
) -> list[tuple[str, str, list[Rule]]]:
    """Each group, its title, and its rules, the most urgent first.

    Only those to approve, or in which all words of `find` occur.
    """
    groups = rule_set.groups
    chosen = [rule for rule in rule_set.rules if not to_approve or not published(rule.source)]
    wanted = find.casefold().split()
    if wanted:
        chosen = [rule for rule in chosen if all(word in _all_words(rule) for word in wanted)]
    ordered = sorted(chosen, key=lambda rule: (groups[rule.id], -rule.priority.rank, rule.id))
    grouped = groupby(ordered, key=lambda rule: groups[rule.id])
    return [(name, _titled("group", name.capitalize()), list(rules)) for name, rules in grouped]


def _all_words(rule: Rule) -> str:
    """In what a rule is looked for: its names, and its conditions as they are read."""
    clauses = [line.words for line in condition_lines(rule.when)]
    parts = (rule.id, rule.title, rule.says, rule.cause or "", *rule.look_at, *clauses)
    return " ".join(parts).casefold()


def where_words(change: Change) -> str:
    """Of what field a change is, in words where the catalogue has them."""
    return _titled("field", change.where)


def _titled(kind: str, name: str) -> str:
    key = f"{kind}_{name.lower().replace(' ', '_')}"
    return texts().get(key, name)


def published(source: Source) -> bool:
    """Whether nobody has to approve it locally."""
    return source.confidence is Confidence.PUBLISHED


def to_approve(sources: Iterable[Source]) -> tuple[int, int]:
    """How many there are, and how many of them a clinician has to approve locally."""
    found = list(sources)
    return len(found), sum(not published(source) for source in found)


def of_rule(rule_set: RuleSet, rule: Rule) -> dict[str, Any]:
    """One rule in full, for its page."""
    escalated = rule.escalate.when if rule.escalate is not None else None
    return {
        "rule": rule,
        "when": tree(rule.when),
        "held": seconds_words(rule.for_s) if rule.for_s else None,
        "scope": scope_words(scope(rule)) if rule.only_in else None,
        "needs": None if rule.needs is None else tree(rule.needs),
        "clears": None if rule.clears is None else tree(rule.clears),
        "clears_held": seconds_words(rule.clears_for_s) if rule.clears_for_s else None,
        "latches": LATCHES[rule.latch],
        "reminds": remind_words(rule.remind),
        "escalates": escalation_words(rule.escalate),
        "escalates_when": None if escalated is None else tree(escalated),
        "says": template_words(rule.says),
        "because": template_words(rule.because),
        "limits": [values_of(rule_set.limits.limits[name]) for name in sorted(rule.limit_names())],
        "causes": [_cause(rule_set, name) for name in rule.may_be],
        "outranked_by": [other.id for other in rule_set.rules if rule.id in other.outranks],
        "sure": sure(rule.source),
    }


def values_of(limit: Limit) -> dict[str, Any]:
    """A limit with all that it may be, and for whom."""
    return {
        "name": limit.name,
        "meaning": limit.meaning,
        "entries": [
            {
                "whom": entry.where.words,
                "value": value_words(entry.value, limit.unit),
                "absent": entry.absent,
                "since": entry.since,
                "source": entry.source,
                "sure": sure(entry.source),
                "approved": entry.approved,
            }
            for entry in limit.entries
        ],
    }


def value_words(value: float | None, unit: str) -> str | None:
    """A value with its unit; None where there is none."""
    return None if value is None else number_words(value, unit)


def _cause(rule_set: RuleSet, name: str) -> dict[str, Any]:
    cause = rule_set.causes.get(name) or Cause(name, name, "")
    return {
        "title": cause.title,
        "look": cause.look,
        "fits": _signs(cause.fits),
        "against": _signs(cause.against),
    }


def _signs(signs: Sequence[Sign]) -> list[str]:
    return [template_words(sign.says) for sign in signs]


#: What a reader must not miss comes first.
_WEIGHTS: Final = (Step.MAJOR, Step.MINOR, Step.PATCH)


def by_weight(changes: Sequence[Change]) -> list[tuple[str, list[tuple[Part, str, list[Change]]]]]:
    """Changes by the step that each asks for, the greatest first, then by what they change."""
    found = []
    for step in _WEIGHTS:
        group = by_subject(change for change in changes if change.step is step)
        if group:
            found.append((step.words, group))
    return found
