"""Reading what goes on in a scenario: what happens, readings, facts, or a recording."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from ruamel.yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

from rules.reading import Reader, is_flag, is_number, nearest
from rules.vocabulary import CATALOGUE, MODES, PHASES, SUPPLIES, Fact, Kind
from service.quantities import NUMERICS, POWER, SETTINGS
from service.rehearsal.scenario import Facts, Readings, Recorded, Simulated, Timeline, Written
from service.rehearsal.series import Series, read_series

TIMELINES: Final = ("happens", "readings", "facts", "recording")

_LABELS: Final = {"mode": MODES, "supply": SUPPLIES, "phase": PHASES}
READINGS: Final[Mapping[str, Fact]] = {
    name: Fact(name, name, "", unit=measured.unit, low=measured.low, high=measured.high)
    for name, measured in {**NUMERICS, **SETTINGS, **POWER}.items()
} | {
    name: Fact(name, name, "", kind=Kind.LABEL, unit="", labels=labels)
    for name, labels in _LABELS.items()
}
"""What may stand in `readings`, by its name on the wire."""


def read_timeline(
    node: Node, keys: Mapping[str, Node], base: Mapping[str, Series], reader: Reader
) -> Timeline | None:
    """The one timeline of a scenario. `base` are the facts of the animal it begins with."""
    given = [key for key in TIMELINES if key in keys]
    if len(given) != 1:
        found = " and ".join(given) or "none"
        reader.problem(node, f"a scenario has one of {', '.join(TIMELINES)}; found {found}")
        return None
    value = keys[given[0]]
    if "simulate" in keys and given != ["happens"]:
        reader.problem(keys["simulate"], "simulate goes with happens")
    match given[0]:
        case "happens":
            return Simulated(_sentences(value, reader), _parts(keys, reader))
        case "readings":
            return Readings(_series(value, READINGS, "reading", reader))
        case "facts":
            return Facts({**base, **read_facts(value, reader)})
    name = reader.text(value, "the name of a recording")
    if name is not None and ("/" in name or "\\" in name):
        reader.problem(value, "a recording lies beside the file of its scenario: give its name")
    return None if name is None else Recorded(name)


def read_facts(node: Node, reader: Reader) -> dict[str, Series]:
    """Series by name of fact."""
    return _series(node, CATALOGUE, "fact", reader)


def _series(node: Node, known: Mapping[str, Fact], what: str, reader: Reader) -> dict[str, Series]:
    found: dict[str, Series] = {}
    for name, (key, value) in (reader.pairs(node, f"{what}s") or {}).items():
        if name not in known:
            reader.problem(key, f'"{name}" is not a {what}{nearest(name, known)}')
            continue
        series = read_series(value, known[name], reader)
        if series is not None:
            found[name] = series
    return found


def _sentences(node: Node, reader: Reader) -> tuple[tuple[str, Written], ...]:
    if isinstance(node, ScalarNode) and node.value == "nothing":
        return ()
    found = []
    for item in reader.items(node, "sentences (or nothing)") or []:
        text = reader.text(item, "what happens, when")
        if text is not None:
            found.append((text, Written(reader.file, item.start_mark.line + 1)))
    return tuple(found)


def _parts(keys: Mapping[str, Node], reader: Reader) -> Mapping[str, Any]:
    if "simulate" not in keys:
        return {}
    pairs = reader.pairs(keys["simulate"], "parts of the simulation") or {}
    return {name: _plain(value) for name, (_, value) in pairs.items()}


def _plain(node: Node) -> Any:
    if isinstance(node, MappingNode):
        return {key.value: _plain(value) for key, value in node.value}
    if isinstance(node, SequenceNode):
        return [_plain(member) for member in node.value]
    if is_flag(node):
        return node.value == "true"
    return float(node.value) if is_number(node) else node.value
