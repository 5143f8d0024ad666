"""The parts of a rule in words, shared by whatever tells of rules."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from rules.condition_words import condition_words, number_words
from rules.model import Escalation, Remind, Rule
from rules.priority import Harm, Onset, Priority, priority_of
from rules.templates import Field, template_fields
from rules.vocabulary import CATALOGUE

LATCHES: Final[Mapping[bool, str]] = {
    True: "stays until it is acknowledged",
    False: "goes when it is over",
}
"""What `latch` means."""


def urgency_words(harm: Harm, onset: Onset) -> str:
    """The priority, with what it follows from."""
    priority: Priority = priority_of(harm, onset)
    return f"{priority.value} (harm: {harm.value}; onset: {onset.value})"


def scope(rule: Rule) -> dict[str, frozenset[str]]:
    """`only_in`, whatever the order it is written in."""
    return {key: frozenset(labels) for key, labels in sorted(rule.only_in.items())}


def scope_words(found: Mapping[str, frozenset[str]]) -> str:
    """`mode controlled or spontaneous; phase weaning`."""
    parts = (f"{key} {' or '.join(sorted(labels))}" for key, labels in found.items())
    return "; ".join(parts) or "always"


def remind_words(remind: Remind) -> str:
    """How often an advisory that stands speaks again."""
    parts = []
    if remind.raised_s is not None:
        parts.append(f"every {seconds_words(remind.raised_s)}")
    if remind.acknowledged_s is not None:
        parts.append(f"every {seconds_words(remind.acknowledged_s)} once acknowledged")
    return ", ".join(parts) or "never"


def escalation_words(escalation: Escalation | None) -> str:
    """When a standing advisory becomes more urgent, and how urgent."""
    if escalation is None:
        return "never"
    words = f"to {escalation.priority.value} after {seconds_words(escalation.for_s)}"
    return words if escalation.when is None else f"{words} of {condition_words(escalation.when)}"


def seconds_words(seconds: float) -> str:
    """A time exactly as it is written."""
    return number_words(seconds, "s")


def template_words(template: str) -> str:
    """`says` or `because` as it stands in the rule, with what will stand in each field."""
    return "".join(map(_field_words, template_fields(template)))


def _field_words(field: Field) -> str:
    if field.kind == "text":
        return field.name
    if field.kind == "held":
        return "[how long it has held]"
    if field.kind == "fact":
        fact = CATALOGUE.get(field.name)
        return f"[{field.name if fact is None else fact.meaning}]"
    return f"[how sure {field.name} is]" if field.kind == "source" else f"[{field.name}]"
