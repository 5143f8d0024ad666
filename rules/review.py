"""Every rule, limit, parameter and cause of a rule set against its source, as Markdown tables.

What rests on memory or on common practice is marked: a licensed clinician approves it locally.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from typing import Final

from rules.condition_words import condition_words, number_words
from rules.limits import Confidence, Limit, LimitEntry, Source
from rules.model import Cause, Parameter, Rule, RuleSet
from rules.notice import with_notice
from rules.wording import duration

_SURE: Final = {
    Confidence.PUBLISHED: "published",
    Confidence.COMMON_PRACTICE: "common practice - approve locally",
    Confidence.MEMORY: "from memory - approve locally",
}


def review(rule_set: RuleSet) -> str:
    """The review as Markdown; the same rule set always gives the same text."""
    return "\n".join(_lines(rule_set)) + "\n"


def _lines(rule_set: RuleSet) -> Iterator[str]:
    yield f"# {rule_set.name} {rule_set.version}: every rule against its source"
    yield ""
    yield with_notice(rule_set.caution)
    yield ""
    yield f"Rules: {_counted(rule.source for rule in rule_set.rules)}."
    entries = [entry for limit in rule_set.limits.limits.values() for entry in limit.entries]
    yield f"Values of limits: {_counted(entry.source for entry in entries)}."
    yield ""
    head: tuple[str, ...] = ("rule", "priority", "speaks when", "limits", "source", "how sure")
    yield from _table("Rules", head, (_rule(rule) for rule in _by_priority(rule_set)))
    head = ("limit", "for", "value", "since", "source", "how sure")
    values = (row for limit in rule_set.limits.limits.values() for row in _limit(limit))
    yield from _table("Limits", head, values)
    head = ("parameter", "value", "a site may set", "source", "how sure")
    yield from _table("Parameters", head, map(_parameter, rule_set.parameters.values()))
    head = ("cause", "what it is", "the look that settles it", "source")
    yield from _table("Causes", head, map(_cause, rule_set.causes.values()))


def _parameter(one: Parameter) -> tuple[str, ...]:
    low, high = number_words(one.low, one.unit), number_words(one.high, one.unit)
    value = number_words(one.value, one.unit)
    return one.name, value, f"{low} to {high}", one.source.ref, _SURE[one.source.confidence]


def _cause(one: Cause) -> tuple[str, ...]:
    return one.id, one.title, one.look, one.source.ref if one.source else "by its signs"


def _counted(sources: Iterable[Source]) -> str:
    counts = Counter(source.confidence for source in sources)
    return ", ".join(f"{counts[c]} {c.value}" for c in Confidence if counts[c])


def _by_priority(rule_set: RuleSet) -> list[Rule]:
    return sorted(rule_set.rules, key=lambda rule: (-rule.priority.rank, rule.id))


def _rule(rule: Rule) -> tuple[str, ...]:
    held = f", for {duration(rule.for_s)}" if rule.for_s else ""
    return (
        rule.id,
        rule.priority.value,
        condition_words(rule.when) + held,
        ", ".join(sorted(rule.limit_names())) or "none",
        rule.source.ref,
        _SURE[rule.source.confidence],
    )


def _limit(limit: Limit) -> Iterator[tuple[str, ...]]:
    for entry in limit.entries:
        yield (
            limit.name,
            entry.where.words,
            _value(limit, entry),
            str(entry.since),
            entry.source.ref,
            _SURE[entry.source.confidence],
        )


def _value(limit: Limit, entry: LimitEntry) -> str:
    if entry.value is None:
        return f"none: {entry.absent}"
    return number_words(entry.value, limit.unit)


def _table(title: str, head: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> Iterator[str]:
    yield f"## {title}"
    yield ""
    yield _row(head)
    yield _row(("---",) * len(head))
    for row in rows:
        yield _row(row)
    yield ""


def _row(cells: Iterable[str]) -> str:
    return "| " + " | ".join(cell.replace("|", "/") for cell in cells) + " |"
