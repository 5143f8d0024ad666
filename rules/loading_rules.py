"""Reading rule files: rules with their conditions, texts and scope."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any, Final

from ruamel.yaml.nodes import Node, SequenceNode

from rules.conditions import too_wide
from rules.loading_conditions import ConditionReader
from rules.loading_limits import read_source
from rules.loading_names import Names, seconds
from rules.loading_templates import read_template
from rules.model import AGAIN_S, SCOPE_FACTS, Condition, Escalation, Group, Remind, Rule
from rules.priority import Harm, Onset
from rules.reading import Reader, is_flag, kind_of, nearest
from rules.vocabulary import CATALOGUE

_REQUIRED: Final = ("id", "title", "when", "harm", "onset", "cause", "says", "because", "source")
_OPTIONAL: Final = (
    "only_in", "needs", "for", "clears", "clears_for", "again", "latch", "remind", "escalate",
    "may_be", "outranks", "look_at", "caution",
)  # fmt: skip
_ID: Final = re.compile(r"[a-z][a-z0-9-]*")


@dataclass(frozen=True, slots=True)
class Draft:
    """A rule as read: its id and the ids it outranks with their places; `rule` None if flawed."""

    id: str
    place: Node
    reader: Reader
    outranks: tuple[tuple[str, Node], ...]
    rule: Rule | None


def read_rules(text: str, reader: Reader, names: Names) -> list[Draft] | None:
    """The rules of a file, None when it cannot be read so far; problems go to the reader."""
    document = reader.document(text)
    keys = None if document is None else reader.mapping(document, "a rule file", ("rules",))
    if keys is None or "rules" not in keys:
        return None
    items = reader.items(keys["rules"], "rules") or []
    drafts = (_RuleReader(reader, names).draft(item) for item in items)
    return [draft for draft in drafts if draft is not None]


@dataclass(slots=True)
class _RuleReader:
    """Reads one rule."""

    reader: Reader
    names: Names
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
            self._check_width(rule)
            self._check_escalation(rule)
        return Draft(rule_id, self.keys["id"], self.reader, outranks, rule)

    def _check_width(self, rule: Rule) -> None:
        """With `needs`, and as its own opposite, a condition can be wider than it is alone."""
        for key, condition in (("when", rule.when), ("clears", rule.clears)):
            problem = None if condition is None else too_wide(rule.needing(condition))
            if problem is not None:
                self.reader.problem(
                    self.keys[key], f'"{key}" with "needs" is too large: {problem}; use two rules'
                )
        problem = too_wide(rule.needing(rule.clearing)) if rule.clears is None else None
        if problem is not None:
            self.reader.problem(
                self.keys["when"],
                f'the opposite of "when" is too large to clear by: {problem}; write "clears"',
            )

    def _check_escalation(self, rule: Rule) -> None:
        if rule.escalate is not None and rule.escalate.priority.rank <= rule.priority.rank:
            self.reader.problem(
                self.keys["escalate"],
                f"escalating to {rule.escalate.priority} priority changes nothing: "
                f"the rule has {rule.priority} already",
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
            "cause": self._cause(),
            "may_be": self._may_be(),
            "says": self._template("says"),
            "because": self._template("because"),
            "source": read_source(keys["source"], reader) if "source" in keys else None,
            "only_in": self._scope(),
            "needs": self._needs(),
            "for_s": self._seconds("for"),
            "clears": self._condition("clears"),
            "clears_for_s": self._seconds("clears_for"),
            "again_s": self._seconds("again", AGAIN_S),
            "latch": self._latch(),
            "remind": self._remind(),
            "escalate": self._escalate(),
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

    def _seconds(self, key: str, otherwise: float = 0.0) -> float:
        if key not in self.keys:
            return otherwise
        return self._time(self.keys[key]) or 0.0

    def _time(self, node: Node) -> float | None:
        return seconds(node, self.reader, self.names)

    def _condition(self, key: str) -> Condition | None:
        if key not in self.keys:
            return None
        return ConditionReader(self.reader, self.names).condition(self.keys[key])

    def _needs(self) -> Condition | None:
        """Each a fact that must be known, or a comparison that must be true."""
        if "needs" not in self.keys:
            return None
        items = self.reader.items(self.keys["needs"], "facts and comparisons") or []
        read = [ConditionReader(self.reader, self.names).need(item) for item in items]
        members = tuple(member for member in read if member is not None)
        return Group("all", members) if members else None

    def _latch(self) -> bool:
        node = self.keys.get("latch")
        if node is None:
            return False
        if not is_flag(node):
            self.reader.problem(node, f"expected true or false, found {kind_of(node)}")
        return str(node.value).lower() == "true"

    def _remind(self) -> Remind:
        node = self.keys.get("remind")
        if node is None:
            return Remind()
        keys = self.reader.mapping(node, '"remind"', (), ("raised", "acknowledged"))
        if keys == {}:
            self.reader.problem(node, 'expected "remind" with raised, acknowledged or both')
        times = {key: self._positive(item) for key, item in (keys or {}).items()}
        return Remind(times.get("raised"), times.get("acknowledged"))

    def _positive(self, node: Node) -> float | None:
        value = self._time(node)
        if value == 0.0:
            self.reader.problem(node, "expected a time of more than nothing")
        return value

    def _escalate(self) -> Escalation | None:
        node = self.keys.get("escalate")
        if node is None:
            return None
        keys = self.reader.mapping(node, '"escalate"', ("harm", "onset"), ("when", "for"))
        if keys is None or not {"harm", "onset"} <= keys.keys():
            return None
        harm = self.reader.word(keys["harm"], "a harm", list(Harm))
        onset = self.reader.word(keys["onset"], "an onset", list(Onset))
        when = None
        if "when" in keys:
            when = ConditionReader(self.reader, self.names).condition(keys["when"])
        elif "for" not in keys:
            self.reader.problem(node, '"escalate" lacks "for" (how long it stood) or "when"')
        for_s = self._time(keys["for"]) if "for" in keys else 0.0
        if harm is None or onset is None or for_s is None:
            return None
        return Escalation(Harm(harm), Onset(onset), for_s, when)

    def _cause(self) -> str | None:
        cause = self._text("cause")
        if cause is not None:
            self._known_cause(cause, self.keys["cause"])
        return cause

    def _known_cause(self, cause: str, node: Node) -> None:
        known = self.names.causes
        if known is not None and cause not in known:
            hint = nearest(cause, known)
            self.reader.problem(node, f'"{cause}" is not a cause of causes.yaml{hint}')

    def _may_be(self) -> tuple[str, ...]:
        if "may_be" not in self.keys:
            return ()
        named: list[str] = []
        for item in self.reader.items(self.keys["may_be"], "causes") or ():
            name = self.reader.text(item, "a cause")
            if name is not None:
                self._known_cause(name, item)
                named.append(name)
        return tuple(dict.fromkeys(named))

    def _look_at(self) -> tuple[str, ...]:
        if "look_at" not in self.keys:
            return ()
        items = self.reader.items(self.keys["look_at"], "checks") or []
        read = (read_template("look_at", item, self.reader, self.names) for item in items)
        return tuple(text or "" for text in read)

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
        if key not in self.keys:
            return None
        return read_template(key, self.keys[key], self.reader, self.names)
