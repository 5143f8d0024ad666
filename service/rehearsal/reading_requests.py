"""Reading what a person asks for in a scenario: acknowledge, pause, resume."""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

from ruamel.yaml.nodes import Node

from rules.quantities import quantity_in
from rules.reading import Reader
from service.rehearsal.reading_expected import read_rule
from service.rehearsal.scenario import Asked, Written
from service.rehearsal.times import read_time

SOMEBODY: Final = "somebody in the scenario"


def read_requests(node: Node, reader: Reader, rules: Collection[str]) -> tuple[Asked, ...]:
    """The members of `asked`, in order of time."""
    items = reader.items(node, "requests") or []
    found = (_request(item, reader, rules) for item in items)
    return tuple(sorted((one for one in found if one is not None), key=lambda one: one.at_s))


def _request(node: Node, reader: Reader, rules: Collection[str]) -> Asked | None:
    optional = ("acknowledge", "pause", "resume", "by", "reason")
    keys = reader.mapping(node, "a request", ("at",), optional) or {}
    at_s = read_time(keys["at"], reader) if "at" in keys else None
    given = [key for key in ("acknowledge", "pause", "resume") if key in keys]
    if len(given) != 1:
        reader.problem(node, "a request is one of acknowledge: RULE, pause: 5 min, resume: now")
        return None
    by = (reader.text(keys["by"], "who asks") if "by" in keys else None) or SOMEBODY
    reason = reader.text(keys["reason"], "a reason") if "reason" in keys else None
    where = Written(reader.file, node.start_mark.line + 1)
    if at_s is None:
        return None
    if given == ["acknowledge"]:
        rule = read_rule(keys["acknowledge"], reader, rules)
        return None if rule is None else Asked(at_s, "acknowledge", by, where, rule=rule)
    if given == ["resume"]:
        reader.word(keys["resume"], "when to resume", ("now",))
        return Asked(at_s, "resume", by, where, reason=reason)
    minutes = quantity_in(str(keys["pause"].value), "min", keys["pause"], reader)
    if minutes is not None and reason is None:
        reader.problem(node, "a pause needs its reason")
    return None if minutes is None else Asked(at_s, "pause", by, where, None, minutes, reason)
