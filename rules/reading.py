"""YAML with places: every key and value keeps its line and column, and problems are collected.

Works on the node graph, so nothing is constructed from tags. Anchors, merges, explicit tags and
repeated keys are refused: what is read is what is written.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

_TAG: Final = "tag:yaml.org,2002:"
_PLAIN_TAGS: Final = frozenset(
    _TAG + kind for kind in ("str", "int", "float", "bool", "null", "timestamp", "map", "seq")
)


#: What the YAML reader says, and what has mostly happened then.
_HINTS: Final = (
    ("got '['", 'inside { } a unit with brackets needs quotes: "3 mm[Hg]"'),
    ("'\\t'", "indent with spaces, not with tabs"),
    (
        "mapping values are not allowed",
        'a text with ": " in it needs quotes around it, or the line before lacks its colon',
    ),
    (
        "expected <block end>",
        "lines that belong together begin in the same column; a text that begins with { needs "
        "quotes around all of it",
    ),
    ("end of stream", "a quote that was opened is not closed"),
    ("could not find expected ':'", "a key ends with a colon and a space"),
    ("expected ',' or", "a bracket that was opened is not closed, or a comma is missing"),
)


class Problem(NamedTuple):
    """Something wrong in a file; line and column count from 1."""

    file: str
    line: int
    column: int
    message: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}: {self.message}"


class RuleSetError(ValueError):
    """A rule set that cannot be used; `problems` lists everything found, in order."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(sorted(set(problems)))
        super().__init__("\n".join(str(problem) for problem in self.problems))


def nearest(name: str, known: Iterable[str]) -> str:
    """A hint to add to a message: the closest known name, or the choice when it is short."""
    choice = list(known)
    close = difflib.get_close_matches(name, choice, n=1, cutoff=0.6)
    if close:
        return f'; did you mean "{close[0]}"?'
    if len(choice) == 1:
        return f'; expected "{choice[0]}"'
    return f"; expected one of {', '.join(choice)}" if 0 < len(choice) <= 12 else ""


@dataclass(slots=True)
class Reader:
    """Reads the nodes of one file. Nothing raises: a method notes problems and answers None."""

    file: str
    problems: list[Problem] = field(default_factory=list)

    def problem(self, node: Node, message: str) -> None:
        """Notes a problem at the start of `node`."""
        mark = node.start_mark
        self.problems.append(Problem(self.file, mark.line + 1, mark.column + 1, message))

    def document(self, text: str) -> MappingNode | None:
        """The mapping that the text is."""
        try:
            return self._document(YAML(typ="safe", pure=True).compose(text))
        except MarkedYAMLError as error:
            self._syntax(error)
            return None
        except RecursionError:
            self.problems.append(Problem(self.file, 1, 1, "the file is nested too deeply"))
            return None
        except YAMLError:
            self.problems.append(Problem(self.file, 1, 1, "the file holds a character no text has"))
            return None

    def _document(self, node: Node | None) -> MappingNode | None:
        if node is None:
            self.problems.append(Problem(self.file, 1, 1, "the file is empty"))
            return None
        before = len(self.problems)
        self._vet(node)
        if len(self.problems) > before:
            return None
        if not isinstance(node, MappingNode):
            self.problem(node, "expected keys with values (name: value)")
            return None
        return node

    def mapping(
        self, node: Node, what: str, required: Iterable[str], optional: Iterable[str] = ()
    ) -> dict[str, Node] | None:
        """The values of a mapping by key. Unknown and missing keys are problems."""
        pairs = self.pairs(node, what)
        if pairs is None:
            return None
        needed = tuple(required)
        known = (*needed, *optional)
        for name, (key, _) in pairs.items():
            if name not in known:
                self.problem(key, f'"{name}" is not a key of {what}{nearest(name, known)}')
        missing = [name for name in needed if name not in pairs]
        if missing:
            self.problem(node, f"{what} lacks {', '.join(missing)}")
        return {name: value for name, (_, value) in pairs.items() if name in known}

    def pairs(self, node: Node, what: str) -> dict[str, tuple[Node, Node]] | None:
        """The (key, value) nodes of a mapping by key, whatever the keys are."""
        if not isinstance(node, MappingNode):
            self.problem(node, f"expected {what} as keys with values, found {kind_of(node)}")
            return None
        return {key.value: (key, value) for key, value in node.value}

    def items(self, node: Node, what: str) -> list[Node] | None:
        """The members of a list that is not empty."""
        if not isinstance(node, SequenceNode):
            self.problem(node, f"expected a list of {what}, found {kind_of(node)}")
            return None
        if not node.value:
            self.problem(node, f"expected at least one of {what}, found an empty list")
            return None
        return list(node.value)

    def text(self, node: Node, what: str) -> str | None:
        """A text that is not empty."""
        if isinstance(node, ScalarNode) and node.tag == f"{_TAG}str" and node.value.strip():
            return str(node.value).strip()
        self.problem(node, f"expected {what} as text, found {kind_of(node)}")
        return None

    def word(self, node: Node, what: str, known: Iterable[str]) -> str | None:
        """One of the known words."""
        choice = tuple(known)
        text = self.text(node, what)
        if text is not None and text not in choice:
            self.problem(node, f'"{text}" is not {what}{nearest(text, choice)}')
            return None
        return text

    def _syntax(self, error: MarkedYAMLError) -> None:
        mark = error.problem_mark or error.context_mark
        line, column = (mark.line + 1, mark.column + 1) if mark is not None else (1, 1)
        message = error.problem or "the file is not YAML"
        hint = next((hint for said, hint in _HINTS if said in message), None)
        if hint is not None:
            message += f"; {hint}"
        self.problems.append(Problem(self.file, line, column, f"not YAML: {message}"))

    def _vet(self, node: Node) -> None:
        if node.anchor is not None:
            self.problem(node, "anchors and aliases are not used in rule sets: write it out")
            return
        if node.tag not in _PLAIN_TAGS or (node.tag != f"{_TAG}str" and _bad_number(node)):
            self.problem(node, f"{kind_of(node)} is not used in rule sets")
            return
        if isinstance(node, SequenceNode):
            for member in node.value:
                self._vet(member)
        elif isinstance(node, MappingNode):
            self._vet_mapping(node)

    def _vet_mapping(self, node: MappingNode) -> None:
        seen: dict[str, Node] = {}
        for key, value in node.value:
            if not isinstance(key, ScalarNode) or key.tag != f"{_TAG}str":
                self.problem(key, f"expected a name as key, found {kind_of(key)}")
            elif key.value in seen:
                line = seen[key.value].start_mark.line + 1
                self.problem(key, f'"{key.value}" is already given in line {line}')
            else:
                seen[key.value] = key
            if kind_of(value) == "nothing":
                value.start_mark = key.start_mark  # else it would be where the next thing is
            self._vet(value)


def kind_of(node: Node) -> str:
    """What a node is, in words, with its text when that is short."""
    if isinstance(node, MappingNode):
        return "keys with values"
    if isinstance(node, SequenceNode):
        return "a list"
    if node.tag == f"{_TAG}null" or not str(node.value).strip():
        return "nothing"
    shown = str(node.value)
    shown = shown if len(shown) <= 40 else f"{shown[:37]}..."
    return f'"{shown}"'


def is_number(node: Node) -> bool:
    """Whether the node is a bare number."""
    return isinstance(node, ScalarNode) and node.tag in (f"{_TAG}int", f"{_TAG}float")


def is_flag(node: Node) -> bool:
    """Whether the node is true or false."""
    return isinstance(node, ScalarNode) and node.tag == f"{_TAG}bool"


def is_date(node: Node) -> bool:
    """Whether the node is a date or a time."""
    return isinstance(node, ScalarNode) and node.tag == f"{_TAG}timestamp"


def _bad_number(node: Node) -> bool:
    """A number that is not finite or not written in decimal."""
    if not is_number(node):
        return False
    digits = str(node.value).lstrip("+-")
    foreign = digits[:2].lower() in ("0x", "0o", "0b") or "_" in digits
    return foreign or not digits[:1].isdigit()
