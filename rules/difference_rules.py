"""What differs between two rules of the same id."""

from __future__ import annotations

import operator
from collections.abc import Callable, Mapping
from dataclasses import fields
from functools import partial
from typing import Final

from rules.changes import Change, Step, pairs, quoted, source_words
from rules.condition_words import Line, condition_lines, condition_words
from rules.implication import implies
from rules.model import Condition, Rule
from rules.rule_words import (
    LATCHES,
    escalation_words,
    remind_words,
    scope,
    scope_words,
    seconds_words,
    urgency_words,
)

_Differ = Callable[[Rule, Rule], list[Change]]


def rule_changes(before: Rule, after: Rule) -> list[Change]:
    """All changes between two rules, field by field; their ids are not compared."""
    found: list[Change] = []
    for differ in dict.fromkeys(_FIELDS.get(item.name, _plain(item.name)) for item in fields(Rule)):
        found.extend(differ(before, after))
    return found


def whole_rule(rule: Rule) -> str:
    """A rule in a line: title, priority, when."""
    held = f", for {seconds_words(rule.for_s)}" if rule.for_s else ""
    return f"{rule.title} ({rule.priority.value}); when {condition_words(rule.when)}{held}"


def _change(rule: Rule, name: str, before: str | None, after: str | None, step: Step) -> Change:
    return Change("rule", rule.id, name, before, after, step)


def _plain(name: str) -> _Differ:
    """Any field without words of its own."""

    def differ(before: Rule, after: Rule) -> list[Change]:
        old, new = getattr(before, name), getattr(after, name)
        return [] if old == new else [_change(before, name, str(old), str(new), Step.MINOR)]

    return differ


def _text(name: str, step: Step, before: Rule, after: Rule) -> list[Change]:
    old, new = getattr(before, name), getattr(after, name)
    return [] if old == new else [_change(before, name, quoted(old), quoted(new), step)]


def _list(name: str, step: Step, before: Rule, after: Rule) -> list[Change]:
    old, new = getattr(before, name), getattr(after, name)
    return [
        _change(before, name, None if one is None else quoted(one),
                None if other is None else quoted(other), step)
        for one, other in pairs(old, new)
    ]  # fmt: skip


def _time(
    field: str, name: str, before: Rule, after: Rule, silent: Callable[[float, float], bool]
) -> list[Change]:
    """`silent` says which way the rule may fall silent, or be over sooner."""
    old, new = getattr(before, field), getattr(after, field)
    if old == new:
        return []
    return [_change(before, name, seconds_words(old), seconds_words(new), _step(silent(old, new)))]


def _step(silent: bool) -> Step:
    return Step.MAJOR if silent else Step.MINOR


def _source(before: Rule, after: Rule) -> list[Change]:
    old, new = source_words(before.source), source_words(after.source)
    return [] if old == new else [_change(before, "source", old, new, Step.PATCH)]


def _priority(before: Rule, after: Rule) -> list[Change]:
    if (before.harm, before.onset) == (after.harm, after.onset):
        return []
    step = Step.MAJOR if after.priority.rank < before.priority.rank else Step.MINOR
    old, new = urgency_words(before.harm, before.onset), urgency_words(after.harm, after.onset)
    return [_change(before, "priority", old, new, step)]


def _condition(name: str, otherwise: str, before: Rule, after: Rule) -> list[Change]:
    old, new = getattr(before, name), getattr(after, name)
    return _clauses(before, name, (old, new), otherwise, not implies(old, new))


def _clears(before: Rule, after: Rule) -> list[Change]:
    """A clearing that comes true in more cases ends an advisory sooner."""
    sooner = not implies(after.clearing, before.clearing)
    otherwise = "when the condition is known not to hold"
    return _clauses(before, "clears", (before.clears, after.clears), otherwise, sooner)


def _clauses(
    rule: Rule,
    name: str,
    conditions: tuple[Condition | None, Condition | None],
    otherwise: str,
    silent: bool,
) -> list[Change]:
    """Clause by clause; `otherwise` says what a condition that is left out means.

    `silent`: it cannot be shown that the rule says all that it said before.
    """
    (old, new), step = conditions, _step(silent)
    if old == new:
        return []
    if old is None or new is None:
        before = otherwise if old is None else condition_words(old)
        after = otherwise if new is None else condition_words(new)
        return [_change(rule, name, before, after, step)]
    return [_change(rule, name, *words, step) for words in _clause_changes(old, new)]


def _clause_changes(old: Condition, new: Condition) -> list[tuple[str | None, str | None]]:
    """Clauses side by side where they are of the same fact, else as gone and as added."""
    differing = pairs(condition_lines(old), condition_lines(new))
    if len(differing) == 1:
        return [(_words(one), _words(other)) for one, other in differing]
    added = [line for _, line in differing if line is not None]
    changes: list[tuple[str | None, str | None]] = []
    for gone in (line for line, _ in differing if line is not None):
        found = next((line for line in added if line.subject == gone.subject), None)
        if found is None:
            changes.append((gone.words, None))
            continue
        added.remove(found)
        moved = " (in another group)" if found.words == gone.words else ""
        changes.append((gone.words, f"{found.words}{moved}"))
    return changes + [(None, line.words) for line in added]


def _words(line: Line | None) -> str | None:
    return None if line is None else line.words


def _only_in(before: Rule, after: Rule) -> list[Change]:
    old, new = scope(before), scope(after)
    if old == new:
        return []
    narrower = any(key not in old or not old[key] <= labels for key, labels in new.items())
    step = Step.MAJOR if narrower else Step.MINOR
    return [_change(before, "only_in", scope_words(old), scope_words(new), step)]


def _outranks(before: Rule, after: Rule) -> list[Change]:
    old, new = set(before.outranks), set(after.outranks)
    gone = [_change(before, "outranks", name, None, Step.MINOR) for name in sorted(old - new)]
    return gone + [
        _change(before, "outranks", None, name, Step.MINOR) for name in sorted(new - old)
    ]


def _latch(before: Rule, after: Rule) -> list[Change]:
    if before.latch == after.latch:
        return []
    step = _step(before.latch)
    return [_change(before, "latch", LATCHES[before.latch], LATCHES[after.latch], step)]


def _remind(before: Rule, after: Rule) -> list[Change]:
    if before.remind == after.remind:
        return []
    old, new = remind_words(before.remind), remind_words(after.remind)
    rarer = any(
        one is not None and (other is None or other > one)
        for one, other in (
            (before.remind.raised_s, after.remind.raised_s),
            (before.remind.acknowledged_s, after.remind.acknowledged_s),
        )
    )
    return [_change(before, "remind", old, new, _step(rarer))]


def _escalate(before: Rule, after: Rule) -> list[Change]:
    old, new = before.escalate, after.escalate
    if old == new:
        return []
    if old is None or new is None:
        step = Step.MAJOR if new is None else Step.MINOR
        return [_change(before, "escalate", escalation_words(old), escalation_words(new), step)]
    found = []
    if (old.harm, old.onset) != (new.harm, new.onset):
        step = Step.MAJOR if new.priority.rank < old.priority.rank else Step.MINOR
        words = urgency_words(old.harm, old.onset), urgency_words(new.harm, new.onset)
        found.append(_change(before, "escalate to", *words, step))
    if old.for_s != new.for_s:
        times = seconds_words(old.for_s), seconds_words(new.for_s)
        found.append(_change(before, "escalate for", *times, _step(new.for_s > old.for_s)))
    silent = not implies(old.when, new.when)
    conditions = old.when, new.when
    return found + _clauses(before, "escalate when", conditions, "while it stands", silent)


def _none(_before: Rule, _after: Rule) -> list[Change]:
    return []


_FIELDS: Final[Mapping[str, _Differ]] = {
    "id": _none,
    "title": partial(_text, "title", Step.PATCH),
    "when": partial(_condition, "when", "never"),
    "harm": _priority,
    "onset": _priority,
    "cause": partial(_text, "cause", Step.MINOR),
    "says": partial(_text, "says", Step.PATCH),
    "because": partial(_text, "because", Step.PATCH),
    "source": _source,
    "only_in": _only_in,
    "for_s": partial(_time, "for_s", "for", silent=operator.lt),
    "clears": _clears,
    "clears_for_s": partial(_time, "clears_for_s", "clears_for", silent=operator.gt),
    "needs": partial(_condition, "needs", "nothing"),
    "latch": _latch,
    "remind": _remind,
    "escalate": _escalate,
    "again_s": partial(_time, "again_s", "again", silent=lambda _old, _new: False),
    "may_be": partial(_list, "may_be", Step.MINOR),
    "outranks": _outranks,
    "look_at": partial(_list, "look_at", Step.PATCH),
    "caution": partial(_text, "caution", Step.PATCH),
}
"""Words for each field; one that is not here is told as it is."""
