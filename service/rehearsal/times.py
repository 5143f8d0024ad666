"""Times of a scenario: `70 s`, `2 min`, and from-to: `62 s to 80 s`."""

from __future__ import annotations

from dataclasses import dataclass

from ruamel.yaml.nodes import Node, ScalarNode

from rules.quantities import quantity_in
from rules.reading import Reader, kind_of


@dataclass(frozen=True, slots=True)
class Window:
    """From `begins_s` to `ends_s`, both in it."""

    begins_s: float
    ends_s: float

    def holds(self, at_s: float, tolerance_s: float) -> bool:
        """Whether a time is in it, or not further beside it than the tolerance."""
        return self.begins_s - tolerance_s <= at_s <= self.ends_s + tolerance_s

    def __str__(self) -> str:
        if self.begins_s == self.ends_s:
            return f"at {self.begins_s:g} s"
        return f"between {self.begins_s:g} and {self.ends_s:g} s"


def read_seconds(text: str, node: Node, reader: Reader) -> float | None:
    """A time that is not negative, in s; problems go to the reader."""
    seconds = 0.0 if text.strip() == "0" else quantity_in(text, "s", node, reader)
    if seconds is not None and seconds < 0.0:
        reader.problem(node, f'expected a time that is not negative, found "{text}"')
        return None
    return seconds


def read_time(node: Node, reader: Reader) -> float | None:
    """One time, in s."""
    if isinstance(node, ScalarNode) and node.value.strip():
        return read_seconds(node.value, node, reader)
    reader.problem(node, f'expected a time such as "90 s", found {kind_of(node)}')
    return None


def read_window(node: Node, reader: Reader) -> Window | None:
    """One time, or from-to."""
    if not isinstance(node, ScalarNode) or not node.value.strip():
        reader.problem(node, f'expected a time such as "62 s to 80 s", found {kind_of(node)}')
        return None
    begins, _, ends = node.value.partition(" to ")
    begins_s = read_seconds(begins, node, reader)
    ends_s = read_seconds(ends, node, reader) if ends else begins_s
    if begins_s is None or ends_s is None:
        return None
    if ends_s < begins_s:
        reader.problem(node, f'"{node.value}" ends before it begins')
        return None
    return Window(begins_s, ends_s)
