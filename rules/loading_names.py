"""What conditions and texts of a rule set may refer to by name."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Generic, TypeVar

from ruamel.yaml.nodes import Node

from rules.limits import Limit
from rules.model import Cause, Parameter
from rules.quantities import quantity_in
from rules.reading import Reader, is_number, kind_of, nearest

T = TypeVar("T")


class Declared(dict[str, T | None], Generic[T]):
    """Things by name; None for one that was declared but has problems.

    `unread` when the file that declares them could not be read: any name may then be one.
    """

    def __init__(self, known: Mapping[str, T | None] = {}, *, unread: bool = False) -> None:
        super().__init__(known)
        self.unread = unread

    def with_more(self, other: Declared[T]) -> Declared[T]:
        """These and those; of one name, the other's."""
        return Declared({**self, **other}, unread=self.unread or other.unread)

    def good(self) -> dict[str, T]:
        """Those without problems."""
        return {name: value for name, value in self.items() if value is not None}

    def __contains__(self, name: object) -> bool:
        return self.unread or super().__contains__(name)

    def __missing__(self, name: str) -> None:
        return None


@dataclass(frozen=True, slots=True)
class Names:
    """All names of one rule set. `causes` is None where the rule set declares none at all."""

    limits: Declared[Limit] = field(default_factory=Declared)
    parameters: Declared[Parameter] = field(default_factory=Declared)
    causes: Declared[Cause] | None = None


def parameter_in(text: str, node: Node, reader: Reader, names: Names) -> str | None:
    """The quantity that `parameter NAME` stands for; any other text as it is."""
    words = text.split()
    if words[:1] != ["parameter"]:
        return text
    if len(words) != 2:
        reader.problem(node, f'expected "parameter" and one name, found "{text}"')
        return None
    if words[1] not in names.parameters:
        hint = nearest(words[1], names.parameters)
        reader.problem(node, f'"{words[1]}" is not a parameter{hint}')
        return None
    parameter = names.parameters[words[1]]
    return None if parameter is None else f"{parameter.value!r} {parameter.unit}"


def seconds(node: Node, reader: Reader, names: Names) -> float | None:
    """A time that is not negative, in seconds. A bare 0 needs no unit."""
    text = str(node.value).strip() if isinstance(node.value, str) else ""
    if is_number(node) and float(text) == 0:
        return 0.0
    if not text or is_number(node):
        reader.problem(node, f'expected a time such as "10 s", found {kind_of(node)}')
        return None
    written = parameter_in(text, node, reader, names)
    value = None if written is None else quantity_in(written, "s", node, reader)
    if value is not None and value < 0:
        reader.problem(node, f'expected a time that is not negative, found "{text}"')
        return None
    return value
