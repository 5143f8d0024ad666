"""Reading conditions: groups, comparisons and `unknown`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, get_args

from ruamel.yaml.nodes import Node, ScalarNode

from rules.conditions import too_wide
from rules.limits import Limit
from rules.loading_names import Names, parameter_in
from rules.model import (
    Comparison,
    Condition,
    Group,
    GroupKind,
    LimitRef,
    Op,
    Operand,
    Unknown,
    Value,
)
from rules.quantities import difference_in, quantity_in
from rules.reading import Reader, is_flag, is_number, kind_of, nearest
from rules.units import UnitError, converter
from rules.vocabulary import CATALOGUE, Fact, Kind

_ORDERINGS: Final = (Op.ABOVE, Op.BELOW, Op.AT_LEAST, Op.AT_MOST)
_EQUALITIES: Final = (Op.IS, Op.IS_NOT)
_OPS: Final = tuple(op.value for op in Op)
_GROUPS: Final[tuple[GroupKind, ...]] = get_args(GroupKind)
_OFFSETS: Final = ("less", "plus")


@dataclass(frozen=True, slots=True)
class ConditionReader:
    """Reads the conditions of one file."""

    reader: Reader
    names: Names

    def condition(self, node: Node) -> Condition | None:
        """A whole condition; None when it has problems, which the reader then holds."""
        condition = self._part(node)
        problem = None if condition is None else too_wide(condition)
        if problem is not None:
            self.reader.problem(node, f"this condition is too large: {problem}; use two rules")
        return condition

    def need(self, node: Node) -> Condition | None:
        """The name of a fact that must be known, or a condition that must be true."""
        if isinstance(node, ScalarNode):
            fact = self._fact(node)
            return None if fact is None else Group("none", (Unknown(fact.name),))
        return self.condition(node)

    def _part(self, node: Node) -> Condition | None:
        pairs = self.reader.pairs(node, "a condition")
        if pairs is None:
            return None
        if "fact" in pairs:
            return self._comparison(node, pairs)
        if list(pairs) == ["unknown"]:
            fact = self._fact(pairs["unknown"][1])
            return None if fact is None else Unknown(fact.name)
        for kind in _GROUPS:
            if list(pairs) == [kind]:
                return self._group(kind, pairs[kind][1])
        self._shapeless(node, pairs)
        return None

    def _shapeless(self, node: Node, pairs: Mapping[str, tuple[Node, Node]]) -> None:
        for name, (key, _) in pairs.items():
            if name not in (*_GROUPS, "unknown"):
                hint = nearest(name, (*_GROUPS, "unknown", "fact"))
                self.reader.problem(key, f'"{name}" does not begin a condition{hint}')
                return
        self.reader.problem(
            node, "expected one of all, any, none, unknown, or a fact with its comparison"
        )

    def _group(self, kind: GroupKind, node: Node) -> Condition | None:
        items = self.reader.items(node, f'conditions under "{kind}"')
        if items is None:
            return None
        members = [self._part(item) for item in items]
        good = tuple(member for member in members if member is not None)
        return Group(kind, good) if len(good) == len(members) else None

    def _fact(self, node: Node) -> Fact | None:
        name = self.reader.text(node, "the name of a fact")
        if name is None:
            return None
        if name not in CATALOGUE:
            self.reader.problem(node, f'"{name}" is not a fact{nearest(name, CATALOGUE)}')
        return CATALOGUE.get(name)

    def _comparison(self, node: Node, pairs: Mapping[str, tuple[Node, Node]]) -> Comparison | None:
        known = ("fact", *_OPS, *_OFFSETS)
        strange = [name for name in pairs if name not in known]
        for name in strange:
            hint = nearest(name, (*_OPS, *_OFFSETS))
            self.reader.problem(pairs[name][0], f'"{name}" is not a comparison{hint}')
        fact = self._fact(pairs["fact"][1])
        used = [op for op in Op if op.value in pairs]
        if len(used) != 1:
            if not strange:
                self.reader.problem(node, f"expected one comparison of {', '.join(_OPS)}")
            return None
        if fact is None or strange:
            return None
        return self._compared(fact, used[0], pairs)

    def _compared(
        self, fact: Fact, op: Op, pairs: Mapping[str, tuple[Node, Node]]
    ) -> Comparison | None:
        key, node = pairs[op.value]
        fitting = _ORDERINGS if fact.kind is Kind.NUMBER else _EQUALITIES
        if op not in fitting:
            choice = ", ".join(fitting)
            self.reader.problem(key, f"{fact.name} is a {fact.kind}: compare it with {choice}")
            return None
        operand = self._operand(fact, node)
        if operand is None:
            return None
        for name in _OFFSETS:
            if name in pairs:
                operand = self._moved(operand, name, fact, pairs)
                if operand is None:
                    return None
        return Comparison(fact.name, op, operand)

    def _operand(self, fact: Fact, node: Node) -> Operand | None:
        if fact.kind is Kind.FLAG:
            if is_flag(node):
                return Value(str(node.value).lower() == "true")
            self.reader.problem(node, f"expected true or false, found {kind_of(node)}")
            return None
        return self._label(fact, node) if fact.kind is Kind.LABEL else self._number(fact, node)

    def _number(self, fact: Fact, node: Node) -> Operand | None:
        text = str(node.value) if is_number(node) else self.reader.text(node, "a number with unit")
        if text is None:
            return None
        if text.split()[0] == "limit":
            return self._limit(fact, text, node)
        written = parameter_in(text, node, self.reader, self.names)
        number = None if written is None else quantity_in(written, fact.unit, node, self.reader)
        if number is None:
            return None
        return Value(number) if self._plausible(fact, number, f'"{text}"', node) else None

    def _label(self, fact: Fact, node: Node) -> Operand | None:
        if fact.labels:
            label = self.reader.word(node, f"a label of {fact.name}", fact.labels)
        else:
            label = self.reader.text(node, "a label")
        return None if label is None else Value(label)

    def _limit(self, fact: Fact, text: str, node: Node) -> Operand | None:
        words = text.split()
        if len(words) != 2:
            self.reader.problem(node, f'expected "limit" and one name, found "{text}"')
            return None
        name = words[1]
        if name not in self.names.limits:
            hint = nearest(name, self.names.limits)
            self.reader.problem(node, f'"{name}" is not a limit{hint}')
            return None
        limit = self.names.limits[name]
        return LimitRef(name) if limit is None or self._fits(fact, limit, node) else None

    def _fits(self, fact: Fact, limit: Limit, node: Node) -> bool:
        try:
            convert = converter(limit.unit, fact.unit)
        except UnitError as error:
            self.reader.problem(node, f"limit {limit.name} cannot be compared: {error}")
            return False
        values = [convert(entry.value) for entry in limit.entries if entry.value is not None]
        return all(
            self._plausible(fact, value, f"limit {limit.name}, {value:g} {fact.unit},", node)
            for value in values
        )

    def _plausible(self, fact: Fact, number: float, what: str, node: Node) -> bool:
        if fact.low <= number <= fact.high:
            return True
        self.reader.problem(
            node,
            f"{what} is outside what {fact.name} can be ({fact.low:g} to {fact.high:g} "
            f"{fact.unit}); a reading out there counts as unknown",
        )
        return False

    def _moved(
        self, operand: Operand, name: str, fact: Fact, pairs: Mapping[str, tuple[Node, Node]]
    ) -> Operand | None:
        key, node = pairs[name]
        if not self._is_named(pairs):
            self.reader.problem(
                key, f'"{name}" moves a limit or a parameter: write the number itself instead'
            )
            return None
        if all(offset in pairs for offset in _OFFSETS):
            both = pairs[_OFFSETS[-1]][0]
            self.reader.problem(both, 'expected either "less" or "plus", found both')
            return None
        offset = self._offset(name, fact, node)
        if offset is None:
            return None
        if isinstance(operand, LimitRef):
            return LimitRef(operand.name, offset)
        return Value(float(operand.value) + offset)

    def _is_named(self, pairs: Mapping[str, tuple[Node, Node]]) -> bool:
        """Whether the operand is a limit or a parameter."""
        return any(
            str(node.value).split()[:1] in (["limit"], ["parameter"])
            for name, (_, node) in pairs.items()
            if name in _OPS
        )

    def _offset(self, name: str, fact: Fact, node: Node) -> float | None:
        text = str(node.value) if is_number(node) else self.reader.text(node, "a number with unit")
        written = None if text is None else parameter_in(text, node, self.reader, self.names)
        offset = None if written is None else difference_in(written, fact.unit, node, self.reader)
        if offset is not None and offset <= 0:
            self.reader.problem(node, f'expected "{name}" by more than nothing, found "{text}"')
            return None
        return -offset if offset is not None and name == "less" else offset
