"""Every small change of a rule set: of its limits, its rules' conditions, times and bonds."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

from rules.limits import Limit, LimitTable, Where
from rules.model import Condition, Remind, Rule, RuleSet
from rules.mutation.conditions import Kind, changes, step_of

#: A time is moved by this share of itself, at least by `_LEAST_S`: what comes is told to a second.
_TIME_MOVE: Final = 0.5
_LEAST_S: Final = 2.0


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change: `of` is the rule or limit it is made in, `rules` those that it may concern.

    `rule_set` is the whole rule set with it, `where` the patients whose limit is moved, `without`
    the rule that is not outranked any more.
    """

    number: int
    kind: Kind
    of: str
    words: str
    rules: frozenset[str]
    rule_set: RuleSet
    where: Where | None = None
    without: str | None = None


def mutants(rule_set: RuleSet) -> Iterator[Mutant]:
    """All of them, always in the same order."""
    made = (*_in_limits(rule_set), *_in_rules(rule_set))
    yield from (replace(mutant, number=number) for number, mutant in enumerate(made))


def _in_limits(rule_set: RuleSet) -> Iterator[Mutant]:
    users = {
        name: frozenset(rule.id for rule in rule_set.rules if name in rule.limit_names())
        for name in rule_set.limits.limits
    }
    for name, limit in rule_set.limits.limits.items():
        if not users[name]:
            continue
        for number, entry in enumerate(limit.entries):
            if entry.value is None:
                continue
            step = step_of(entry.value)
            for value in (round(entry.value + step, 9), round(entry.value - step, 9)):
                entries = list(limit.entries)
                entries[number] = replace(entry, value=value)
                yield Mutant(
                    0, "threshold", name,
                    f"{value:.6g} {limit.unit} for {entry.value:g} ({entry.where.words})",
                    users[name], _with_limit(rule_set, replace(limit, entries=tuple(entries))),
                    entry.where,
                )  # fmt: skip


def _with_limit(rule_set: RuleSet, limit: Limit) -> RuleSet:
    return replace(rule_set, limits=LimitTable({**rule_set.limits.limits, limit.name: limit}))


def _in_rules(rule_set: RuleSet) -> Iterator[Mutant]:
    for number, rule in enumerate(rule_set.rules):
        for kind, words, changed in _of_rule(rule):
            rules = (*rule_set.rules[:number], changed, *rule_set.rules[number + 1 :])
            left = set(rule.outranks) - set(changed.outranks)
            yield Mutant(
                0, kind, rule.id, words, frozenset({rule.id}), replace(rule_set, rules=rules),
                without=next(iter(left), None),
            )  # fmt: skip


_Changed = tuple[Kind, str, Rule]


def _of_rule(rule: Rule) -> Iterator[_Changed]:
    yield from _of_conditions(rule)
    yield from _of_times(rule)
    for other in rule.outranks:
        left = tuple(one for one in rule.outranks if one != other)
        yield "bond", f"does not outrank {other}", replace(rule, outranks=left)
    for key in rule.only_in:
        scope = {name: labels for name, labels in rule.only_in.items() if name != key}
        yield "bond", f"in every {key}", replace(rule, only_in=scope)
    yield "bond", "does not latch" if rule.latch else "latches", replace(rule, latch=not rule.latch)


def _of_conditions(rule: Rule) -> Iterator[_Changed]:
    for key, condition in rule.conditions().items():
        for change in changes(condition):
            changed = _with_condition(rule, key, change.condition)
            if changed is not None:
                yield change.kind, f"{key}: {change.words}", changed


def _with_condition(rule: Rule, key: str, condition: Condition | None) -> Rule | None:
    if key == "when":
        return None if condition is None else replace(rule, when=condition)
    if key == "clears":
        return replace(rule, clears=condition)
    if key == "needs":
        return replace(rule, needs=condition)
    assert rule.escalate is not None  # noqa: S101 (only such a rule has the condition)
    return replace(rule, escalate=replace(rule.escalate, when=condition))


def _of_times(rule: Rule) -> Iterator[_Changed]:
    for seconds in _moved(rule.for_s):
        yield "time", f"for {seconds:g} s, not {rule.for_s:g} s", replace(rule, for_s=seconds)
    for seconds in _moved(rule.clears_for_s):
        words = f"clears for {seconds:g} s, not {rule.clears_for_s:g} s"
        yield "time", words, replace(rule, clears_for_s=seconds)
    if rule.escalate is not None:
        for seconds in _moved(rule.escalate.for_s):
            words = f"escalates after {seconds:g} s, not {rule.escalate.for_s:g} s"
            yield "time", words, replace(rule, escalate=replace(rule.escalate, for_s=seconds))
    yield from _of_reminders(rule)


def _of_reminders(rule: Rule) -> Iterator[_Changed]:
    raised_s, acknowledged_s = rule.remind.raised_s, rule.remind.acknowledged_s
    for seconds in _moved(raised_s or 0.0):
        words = f"reminds after {seconds:g} s, not {raised_s:g} s"
        yield "time", words, replace(rule, remind=Remind(seconds, acknowledged_s))
    for seconds in _moved(acknowledged_s or 0.0):
        words = f"reminds, when acknowledged, after {seconds:g} s, not {acknowledged_s:g} s"
        yield "time", words, replace(rule, remind=Remind(raised_s, seconds))


def _moved(seconds: float) -> list[float]:
    """A time longer and shorter; none where there is none to move."""
    if not seconds:
        return []
    step = max(_LEAST_S, _TIME_MOVE * seconds)
    return [seconds + step, max(0.0, seconds - step)]
