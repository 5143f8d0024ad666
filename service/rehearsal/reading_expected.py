"""Reading what a scenario expects: which advisory, when, how urgent, with which values."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Final

from ruamel.yaml.nodes import Node, ScalarNode, SequenceNode

from rules.engine.guard import FactValue
from rules.priority import Priority
from rules.reading import Reader, nearest
from rules.vocabulary import CATALOGUE, Kind
from service.rehearsal.scenario import NEVER, Expected, Never, Written
from service.rehearsal.series import read_value
from service.rehearsal.times import Window, read_window

_KEYS: Final = ("priority", "says", "with", "explained_by", "reminded", "escalated", "cleared")


def read_expected(node: Node, reader: Reader, rules: Collection[str]) -> tuple[Expected, ...]:
    """The members of `expect`."""
    items = reader.items(node, "expectations") or []
    found = (_expected(item, reader, rules) for item in items)
    return tuple(one for one in found if one is not None)


def _expected(node: Node, reader: Reader, rules: Collection[str]) -> Expected | None:
    keys = reader.mapping(node, "an expectation", ("rule", "raised"), _KEYS)
    if keys is None or not {"rule", "raised"} <= keys.keys():
        return None
    rule = read_rule(keys["rule"], reader, rules)
    raised = read_window(keys["raised"], reader)
    priority = None
    if "priority" in keys:
        priority = reader.word(keys["priority"], "a priority", [str(one) for one in Priority])
    above = None
    if "explained_by" in keys:
        above = read_rule(keys["explained_by"], reader, rules)
    windows = {
        key: _window_or_never(keys[key], reader) if key in keys else None
        for key in ("escalated", "cleared")
    }
    if rule is None or raised is None:
        return None
    return Expected(
        rule=rule,
        where=Written(reader.file, node.start_mark.line + 1),
        raised=raised,
        priority=priority,
        says=reader.text(keys["says"], "words") if "says" in keys else None,
        with_=_values(keys["with"], reader) if "with" in keys else {},
        explained_by=above,
        reminded=read_windows(keys["reminded"], reader) if "reminded" in keys else (),
        escalated=windows["escalated"],
        cleared=windows["cleared"],
    )


def _window_or_never(node: Node, reader: Reader) -> Window | Never | None:
    if isinstance(node, ScalarNode) and node.value == NEVER:
        return NEVER
    return read_window(node, reader)


def _values(node: Node, reader: Reader) -> Mapping[str, tuple[FactValue, FactValue]]:
    """Facts with the value, or from-to, that they have when the advisory is raised."""
    found: dict[str, tuple[FactValue, FactValue]] = {}
    for name, (key, value) in (reader.pairs(node, "values") or {}).items():
        fact = CATALOGUE.get(name)
        if fact is None:
            reader.problem(key, f'"{name}" is not a fact{nearest(name, CATALOGUE)}')
            continue
        text = str(value.value) if isinstance(value, ScalarNode) else ""
        low, _, high = text.partition(" to ")
        if high and fact.kind is not Kind.NUMBER:
            reader.problem(value, f"{name} is one value, not from-to")
            continue
        ends = [read_value(end, fact, value, reader) for end in ((low, high) if high else (low,))]
        values = [end.value for end in ends if end is not None and end.value is not None]
        if len(values) == len(ends):
            found[name] = (values[0], values[-1])
    return found


def read_rule(node: Node, reader: Reader, rules: Collection[str]) -> str | None:
    """The id of a rule of the rule set."""
    return reader.word(node, "a rule of the rule set", rules)


def read_never(node: Node, reader: Reader, rules: Collection[str]) -> tuple[str, ...]:
    """The rules that must not be raised: one, or a list."""
    nodes = node.value if isinstance(node, SequenceNode) else [node]
    found = (read_rule(item, reader, rules) for item in nodes)
    return tuple(rule for rule in found if rule is not None)


def read_windows(node: Node, reader: Reader) -> tuple[Window, ...]:
    """Times, from-to: one, or a list."""
    nodes = node.value if isinstance(node, SequenceNode) else [node]
    found = (read_window(item, reader) for item in nodes)
    return tuple(window for window in found if window is not None)
