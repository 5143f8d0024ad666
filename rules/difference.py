"""What differs between two rule sets, as changes that a clinician reads."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Final, TypeVar

from rules.changes import (
    Change,
    Part,
    Step,
    approval_words,
    asked_step,
    next_version,
    pairs,
    quoted,
    source_words,
    taken_step,
)
from rules.condition_words import condition_words, number_words
from rules.difference_limits import limit_changes, whole_limit
from rules.difference_rules import rule_changes, whole_rule
from rules.limits import Limit
from rules.looseness import directions
from rules.model import Cause, Parameter, Rule, RuleSet, Sign

__all__ = ["Change", "Step", "asked_step", "difference", "next_version", "taken_step"]

_ABOUT: Final[Mapping[str, Step]] = {
    "name": Step.MAJOR,
    "parent": Step.MINOR,
    "title": Step.PATCH,
    "summary": Step.PATCH,
    "caution": Step.PATCH,
}
T = TypeVar("T")


def difference(before: RuleSet, after: RuleSet) -> list[Change]:
    """All changes from one rule set to another.

    The version and the hash are not changes of their own, nor is the order of rules in the files.
    A parameter that changes is told, and so is each rule in which it stands.
    """
    found = _about(before, after)
    found += _rules(before, after)
    limits = before.limits.limits, after.limits.limits
    ways = directions(before, after)

    def in_limit(one: Limit, other: Limit) -> list[Change]:
        return limit_changes(one, other, ways.get(one.name, frozenset()))

    found += _named("limit", *limits, in_limit, whole_limit)
    found += _named("cause", before.causes, after.causes, _cause_changes, lambda c: c.title)
    found += _named(
        "parameter", before.parameters, after.parameters, _parameter_changes, _whole_parameter
    )
    return found


def _about(before: RuleSet, after: RuleSet) -> list[Change]:
    found = [
        Change("rule set", before.name, key, _said(before, key), _said(after, key), step)
        for key, step in _ABOUT.items()
        if getattr(before, key) != getattr(after, key)
    ]
    for rule in sorted(before.without.keys() | after.without.keys()):
        old, new = before.without.get(rule), after.without.get(rule)
        if old != new:
            # That the rule is gone or back is a change of the rules themselves.
            before_words = None if old is None else f"{rule} ({approval_words(old)})"
            after_words = None if new is None else f"{rule} ({approval_words(new)})"
            words = before_words, after_words
            found.append(Change("rule set", before.name, "without", *words, Step.PATCH))
    return found


def _said(rule_set: RuleSet, key: str) -> str:
    return quoted(getattr(rule_set, key) or "")


def _rules(before: RuleSet, after: RuleSet) -> list[Change]:
    old = {rule.id: rule for rule in before.rules}
    new = {rule.id: rule for rule in after.rules}
    gone = {rule_id: old[rule_id] for rule_id in old.keys() - new.keys()}
    come = {rule_id: new[rule_id] for rule_id in new.keys() - old.keys()}
    renamed = _renamed(gone, come)
    found = [Change("rule", one, "id", one, other, Step.MAJOR) for one, other in renamed.items()]
    kept_old = {name: rule for name, rule in old.items() if name not in renamed}
    kept_new = {name: rule for name, rule in new.items() if name not in renamed.values()}
    return found + _named("rule", kept_old, kept_new, rule_changes, whole_rule)


def _renamed(gone: Mapping[str, Rule], come: Mapping[str, Rule]) -> dict[str, str]:
    """Rules that are the same but for their id."""
    found: dict[str, str] = {}
    for name, rule in sorted(gone.items()):
        for other_name, other in sorted(come.items()):
            if other_name not in found.values() and replace(rule, id=other_name) == other:
                found[name] = other_name
                break
    return found


def _named(
    part: Part,
    before: Mapping[str, T],
    after: Mapping[str, T],
    differ: Callable[[T, T], list[Change]],
    whole: Callable[[T], str],
) -> list[Change]:
    """Things by name: those gone, those that came, and what changed in the others."""
    found: list[Change] = []
    for name in sorted(before.keys() - after.keys()):
        found.append(Change(part, name, "", whole(before[name]), None, Step.MAJOR))
    for name in sorted(after.keys() - before.keys()):
        found.append(Change(part, name, "", None, whole(after[name]), Step.MINOR))
    for name in sorted(before.keys() & after.keys()):
        found.extend(differ(before[name], after[name]))
    return found


def _cause_changes(before: Cause, after: Cause) -> list[Change]:
    found = []
    for field in ("title", "look"):
        old, new = getattr(before, field), getattr(after, field)
        if old != new:
            words = quoted(old), quoted(new)
            found.append(Change("cause", before.id, field, *words, Step.PATCH))
    if before.source != after.source:
        sources = source_words(before.source), source_words(after.source)
        found.append(Change("cause", before.id, "source", *sources, Step.PATCH))
    for field in ("fits", "against"):
        for one, other in pairs(getattr(before, field), getattr(after, field)):
            signs = _sign(one), _sign(other)
            found.append(Change("cause", before.id, field, *signs, Step.MINOR))
    return found


def _sign(sign: Sign | None) -> str | None:
    return None if sign is None else f"{quoted(sign.says)} while {condition_words(sign.when)}"


def _parameter_changes(before: Parameter, after: Parameter) -> list[Change]:
    old_unit, new_unit = before.unit, after.unit
    words = {
        "value": (number_words(before.value, old_unit), number_words(after.value, new_unit)),
        "between": (_between(before), _between(after)),
        "meaning": (quoted(before.meaning), quoted(after.meaning)),
        "source": (source_words(before.source), source_words(after.source)),
        "approved": (approval_words(before.approved), approval_words(after.approved)),
    }
    found = [
        Change("parameter", before.name, field, old, new, _PARAMETER[field])
        for field, (old, new) in words.items()
        if old != new and not (old_unit != new_unit and field in ("value", "between"))
    ]
    if old_unit != new_unit:
        whole = _whole_parameter(before), _whole_parameter(after)
        found.append(Change("parameter", before.name, "unit", *whole, Step.MAJOR))
    return found


_PARAMETER: Final[Mapping[str, Step]] = {
    "value": Step.MINOR,
    "between": Step.MINOR,
    "meaning": Step.PATCH,
    "source": Step.PATCH,
    "approved": Step.PATCH,
}


def _whole_parameter(parameter: Parameter) -> str:
    return f"{number_words(parameter.value, parameter.unit)} ({_between(parameter)})"


def _between(parameter: Parameter) -> str:
    low = number_words(parameter.low, "1")
    return f"between {low} and {number_words(parameter.high, parameter.unit)}"
