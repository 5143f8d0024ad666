"""Reading rule files: rules with their conditions, texts and scope."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from ruamel.yaml.nodes import Node, SequenceNode

from rules.conditions import too_wide
from rules.limits import Limit
from rules.loading_conditions import ConditionReader
from rules.loading_limits import read_source
from rules.model import SCOPE_FACTS, Condition, Rule
from rules.priority import Harm, Onset
from rules.quantities import seconds
from rules.reading import Reader, nearest
from rules.templates import Field, template_fields
from rules.vocabulary import CATALOGUE

_REQUIRED: Final = ("id", "title", "when", "harm", "onset", "cause", "says", "because", "source")
_OPTIONAL: Final = ("only_in", "for", "clears", "clears_for", "outranks", "look_at", "caution")
_ID: Final = re.compile(r"[a-z][a-z0-9-]*")


@dataclass(frozen=True, slots=True)
class Draft:
    """A rule as read: its id and the ids it outranks with their places; `rule` None if flawed."""

    id: str
    place: Node
    reader: Reader
    outranks: tuple[tuple[str, Node], ...]
    rule: Rule | None


def read_rules(text: str, reader: Reader, limits: Mapping[str, Limit | None]) -> list[Draft] | None:
    """The rules of a file, None when it cannot be read so far; problems go to the reader.

    `limits` as for ConditionReader.
    """
    document = reader.document(text)
    keys = None if document is None else reader.mapping(document, "a rule file", ("rules",))
    if keys is None or "rules" not in keys:
        return None
    items = reader.items(keys["rules"], "rules") or []
    drafts = (_RuleReader(reader, limits).draft(item) for item in items)
    return [draft for draft in drafts if draft is not None]


@dataclass(slots=True)
class _RuleReader:
    """Reads one rule."""

    reader: Reader
    limits: Mapping[str, Limit | None]
    keys: dict[str, Node] = field(default_factory=dict)

    def draft(self, node: Node) -> Draft | None:
        before = len(self.reader.problems)
        self.keys = self.reader.mapping(node, "a rule", _REQUIRED, _OPTIONAL) or {}
        rule_id = self._id()
        outranks = self._outranks()
        fields = self._fields()
        if rule_id is None:
            return None
        rule = None
        if len(self.reader.problems) == before:
            others = tuple(name for name, _ in outranks)
            rule = Rule(id=rule_id, outranks=others, **fields)
            self._check_clearing(rule)
        return Draft(rule_id, self.keys["id"], self.reader, outranks, rule)

    def _check_clearing(self, rule: Rule) -> None:
        """The opposite of a condition can be wider than the condition itself."""
        problem = too_wide(rule.clearing) if rule.clears is None else None
        if problem is not None:
            self.reader.problem(
                self.keys["when"],
                f'the opposite of "when" is too large to clear by: {problem}; write "clears"',
            )

    def _fields(self) -> dict[str, Any]:
        keys, reader = self.keys, self.reader
        harm = self._word("harm", "a harm", list(Harm))
        onset = self._word("onset", "an onset", list(Onset))
        return {
            "title": self._text("title"),
            "when": self._condition("when"),
            "harm": None if harm is None else Harm(harm),
            "onset": None if onset is None else Onset(onset),
            "cause": self._text("cause"),
            "says": self._template("says"),
            "because": self._template("because"),
            "source": read_source(keys["source"], reader) if "source" in keys else None,
            "only_in": self._scope(),
            "for_s": self._seconds("for"),
            "clears": self._condition("clears"),
            "clears_for_s": self._seconds("clears_for"),
            "look_at": self._look_at(),
            "caution": self._text("caution") or "",
        }

    def _id(self) -> str | None:
        rule_id = self._text("id")
        if rule_id is not None and not _ID.fullmatch(rule_id):
            self.reader.problem(
                self.keys["id"], f'"{rule_id}" is not a rule id: use a-z, 0-9 and -'
            )
        return rule_id

    def _text(self, key: str) -> str | None:
        return self.reader.text(self.keys[key], f'"{key}"') if key in self.keys else None

    def _word(self, key: str, what: str, known: list[str]) -> str | None:
        return self.reader.word(self.keys[key], what, known) if key in self.keys else None

    def _seconds(self, key: str) -> float:
        return (seconds(self.keys[key], self.reader) or 0.0) if key in self.keys else 0.0

    def _condition(self, key: str) -> Condition | None:
        if key not in self.keys:
            return None
        return ConditionReader(self.reader, self.limits).condition(self.keys[key])

    def _look_at(self) -> tuple[str, ...]:
        if "look_at" not in self.keys:
            return ()
        items = self.reader.items(self.keys["look_at"], "checks") or []
        return tuple(self.reader.text(item, "a check") or "" for item in items)

    def _outranks(self) -> tuple[tuple[str, Node], ...]:
        if "outranks" not in self.keys:
            return ()
        named: list[tuple[str, Node]] = []
        for item in self.reader.items(self.keys["outranks"], "rule ids") or ():
            name = self.reader.text(item, "a rule id")
            if name is not None:
                named.append((name, item))
        return tuple(named)

    def _scope(self) -> dict[str, tuple[str, ...]]:
        if "only_in" not in self.keys:
            return {}
        node = self.keys["only_in"]
        pairs = self.reader.mapping(node, '"only_in"', (), SCOPE_FACTS)
        if pairs == {}:
            self.reader.problem(node, f'expected "only_in" with some of {", ".join(SCOPE_FACTS)}')
        return {key: self._scope_labels(key, labels) for key, labels in (pairs or {}).items()}

    def _scope_labels(self, key: str, node: Node) -> tuple[str, ...]:
        known = CATALOGUE[SCOPE_FACTS[key]].labels
        # A single label may stand without a list.
        items = self.reader.items(node, "labels") if isinstance(node, SequenceNode) else [node]
        labels = [self.reader.word(item, f"a {key}", known) for item in items or ()]
        return tuple(dict.fromkeys(label for label in labels if label is not None))

    def _template(self, key: str) -> str | None:
        template = self._text(key)
        if template is None:
            return None
        node = self.keys[key]
        try:
            fields = template_fields(template)
        except ValueError as error:
            self.reader.problem(node, f'"{key}": {error}')
            return None
        for part in fields:
            self._check_field(part, key, node)
        return template

    def _check_field(self, part: Field, key: str, node: Node) -> None:
        if part.kind == "fact" and part.name not in CATALOGUE:
            hint = nearest(part.name, (*CATALOGUE, "held"))
            self.reader.problem(node, f'"{key}" names "{part.name}", which is not a fact{hint}')
        if part.kind in ("limit", "source") and part.name not in self.limits:
            hint = nearest(part.name, self.limits)
            self.reader.problem(node, f'"{key}" names limit "{part.name}", which is not one{hint}')
