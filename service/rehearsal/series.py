"""Values over time in short notation: `98 for 30 s, to 88 over 1 min, unknown for 20 s, 95`.

Each item is a value with how long it lasts; the last one may go on to the end. `to` moves in a
straight line from the value before.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from ruamel.yaml.nodes import Node, ScalarNode

from rules.engine.guard import FactValue
from rules.quantities import quantity_in
from rules.reading import Reader, kind_of, nearest
from rules.vocabulary import Fact, Kind
from service.rehearsal.times import read_seconds

UNKNOWN: Final = "unknown"
#: A moving value is looked at so often, as a silent place is (s).
STEP_S: Final = 1.0
_ITEM: Final = re.compile(
    r"(?:(?P<to>to)\s+)?(?P<value>.+?)(?:\s+(?P<how>for|over)\s+(?P<lasts>.+))?"
)
_NUMBER: Final = re.compile(r"[+-]?\d+(?:\.\d+)?")


@dataclass(frozen=True, slots=True)
class Stretch:
    """From `begins_s` to `ends_s`. A moving one goes from `origin` to `value`; None: unknown."""

    begins_s: float
    ends_s: float
    value: FactValue | None
    origin: float | None = None

    def at(self, at_s: float) -> FactValue | None:
        """The value at a time within it."""
        if self.origin is None or not isinstance(self.value, int | float):
            return self.value
        share = (at_s - self.begins_s) / (self.ends_s - self.begins_s)
        return self.origin + share * (self.value - self.origin)


@dataclass(frozen=True, slots=True)
class Series:
    """Stretches without a gap, the first from 0; the last value goes on."""

    stretches: tuple[Stretch, ...]

    def at(self, at_s: float) -> FactValue | None:
        """The value at this time (s); None while it is unknown."""
        found = bisect_right(self.stretches, at_s, key=lambda stretch: stretch.begins_s) - 1
        stretch = self.stretches[max(0, found)]
        return stretch.at(min(at_s, stretch.ends_s))

    def turns(self) -> Iterator[float]:
        """When the value changes (s), and every second while it moves."""
        for stretch in self.stretches:
            yield stretch.begins_s
            if stretch.origin is not None:
                steps = int((stretch.ends_s - stretch.begins_s) / STEP_S)
                yield from (stretch.begins_s + STEP_S * n for n in range(1, steps + 1))
                yield stretch.ends_s


def constant(value: FactValue | None) -> Series:
    """The same value all the time."""
    return Series((Stretch(0.0, float("inf"), value),))


def read_series(node: Node, fact: Fact, reader: Reader) -> Series | None:
    """The series that `node` writes for a fact; problems go to the reader."""
    if not isinstance(node, ScalarNode) or not node.value.strip():
        reader.problem(node, f"expected values of {fact.name} over time, found {kind_of(node)}")
        return None
    begins_s = 0.0
    stretches: list[Stretch] = []
    items = [item.strip() for item in node.value.split(",")]
    for number, item in enumerate(items):
        stretch = _stretch(item, begins_s, stretches, _Asked(fact, node, reader))
        if stretch is None:
            return None
        last = number == len(items) - 1
        if stretch.ends_s == float("inf") and not last:
            reader.problem(node, f'"{item}" lacks how long it lasts: "{item} for 30 s"')
            return None
        stretches.append(stretch)
        begins_s = stretch.ends_s
    return Series(tuple(stretches))


@dataclass(frozen=True, slots=True)
class _Asked:
    fact: Fact
    node: Node
    reader: Reader


def _stretch(item: str, begins_s: float, before: list[Stretch], asked: _Asked) -> Stretch | None:
    match = _ITEM.fullmatch(item)
    if match is None:
        asked.reader.problem(asked.node, f'"{item}" is no value: write "98 for 30 s"')
        return None
    moves = match["to"] is not None
    if moves != (match["how"] == "over"):
        asked.reader.problem(
            asked.node,
            f'"{item}": a value that stands lasts "98 for 30 s", one that moves "to 88 over 30 s"',
        )
        return None
    lasts_s: float | None = float("inf")
    if match["lasts"] is not None:
        lasts_s = read_seconds(match["lasts"], asked.node, asked.reader)
    given = read_value(match["value"], asked.fact, asked.node, asked.reader)
    if lasts_s is None or given is None:
        return None
    value = given.value
    if not moves:
        return Stretch(begins_s, begins_s + lasts_s, value)
    origin = before[-1].value if before else None
    if not isinstance(origin, float) or not isinstance(value, float) or not lasts_s:
        asked.reader.problem(
            asked.node, f'"{item}" moves from a number before it to another, over some time'
        )
        return None
    return Stretch(begins_s, begins_s + lasts_s, value, origin)


@dataclass(frozen=True, slots=True)
class Given:
    """A value that was written; None for `unknown`."""

    value: FactValue | None


def read_value(text: str, fact: Fact, node: Node, reader: Reader) -> Given | None:
    """The value of a fact that `text` writes; None when it cannot be read."""
    text = text.strip()
    if text == UNKNOWN:
        return Given(None)
    if fact.kind is Kind.FLAG:
        if text in ("true", "false"):
            return Given(text == "true")
        reader.problem(node, f'"{text}": {fact.name} is true, false or {UNKNOWN}')
        return None
    if fact.kind is Kind.LABEL:
        if not fact.labels or text in fact.labels:
            return Given(text)
        reader.problem(node, f'"{text}" is not a value of {fact.name}{nearest(text, fact.labels)}')
        return None
    return _number(text, fact, node, reader)


def _number(text: str, fact: Fact, node: Node, reader: Reader) -> Given | None:
    bare = _NUMBER.fullmatch(text) is not None
    number = float(text) if bare else quantity_in(text, fact.unit, node, reader)
    if number is None:
        return None
    if not fact.low <= number <= fact.high:
        reader.problem(
            node,
            f"{text}: {fact.name} is from {fact.low:g} to {fact.high:g} {fact.unit}; "
            f"beyond that it counts as {UNKNOWN}: write {UNKNOWN}",
        )
        return None
    return Given(number)
