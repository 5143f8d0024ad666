"""Reading `limits.yaml`: limits with their dated, sourced values."""

from __future__ import annotations

import dataclasses
import datetime
import re
from collections.abc import Collection, Mapping
from typing import Final

from ruamel.yaml.nodes import MappingNode, Node

from rules.limits import Approval, Confidence, Limit, LimitEntry, Source, Where, describe
from rules.loading_names import Declared
from rules.quantities import quantity_in, read_number
from rules.reading import Reader, is_date, kind_of, nearest
from rules.units import UnitError, check
from rules.vocabulary import CLASSES, PHASES

_NAME: Final = re.compile(r"[a-z][a-z0-9_]*")


def read_limits(text: str, reader: Reader, inherited: Mapping[str, Limit]) -> Declared[Limit]:
    """The limits of a file by name; those of a parent get a site's own values beside theirs."""
    document = reader.document(text)
    keys = None if document is None else reader.mapping(document, reader.file, ("limits",))
    pairs = reader.pairs(keys["limits"], "the limits") if keys and "limits" in keys else None
    if pairs is None:
        return Declared(unread=True)
    found: dict[str, Limit | None] = {}
    for name, (key, node) in pairs.items():
        if not _NAME.fullmatch(name):
            reader.problem(key, f'"{name}" is not a limit name: use a-z, 0-9 and _')
        if name in inherited:
            found[name] = _own_values(inherited[name], node, reader)
        elif misnamed(key, node, ("values", "unit"), inherited, "limit", reader):
            found[name] = None
        else:
            found[name] = _limit(name, node, reader)
    return Declared(found)


def misnamed(
    key: Node, node: Node, own: Collection[str], inherited: Collection[str], what: str,
    reader: Reader,
) -> bool:  # fmt: skip
    """Whether this is meant for something of the parent, which has nothing of that name.

    So it looks when all its keys are of those (`own`) with which a site sets the parent's anew.
    """
    if not inherited or not isinstance(node, MappingNode):
        return False
    if not {pair[0].value for pair in node.value} <= set(own):
        return False
    hint = nearest(key.value, inherited)
    reader.problem(key, f'"{key.value}" is not a {what} of the parent{hint}')
    return True


def read_source(node: Node, reader: Reader) -> Source | None:
    """A source: its reference and how well it supports what it stands by."""
    keys = reader.mapping(node, "a source", ("ref", "confidence"))
    if keys is None or len(keys) < 2:
        return None
    ref = reader.text(keys["ref"], "a reference")
    confidence = reader.word(keys["confidence"], "a confidence", list(Confidence))
    return Source(ref, Confidence(confidence)) if ref and confidence else None


def read_approval(node: Node, reader: Reader) -> Approval | None:
    """Who approved a site's own value, on what day, and why."""
    keys = reader.mapping(node, '"approved"', ("by", "on", "why"))
    if keys is None or len(keys) < 3:
        return None
    by = reader.text(keys["by"], "a name")
    on = _day(keys["on"], reader)
    why = reader.text(keys["why"], "a reason")
    return None if by is None or on is None or why is None else Approval(by, on, why)


def _limit(name: str, node: Node, reader: Reader) -> Limit | None:
    keys = reader.mapping(node, "a limit", ("meaning", "unit", "values"))
    if keys is None or len(keys) < 3:
        return None
    meaning = reader.text(keys["meaning"], "a meaning")
    unit = _unit(keys["unit"], reader)
    entries = _entries(keys["values"], reader)
    if meaning is None or unit is None:
        return None
    return Limit(name, meaning, unit, entries)


def _own_values(parent: Limit, node: Node, reader: Reader) -> Limit | None:
    """The parent's limit with a site's own values beside its own; each needs an approval."""
    keys = reader.mapping(node, "a limit of the parent", ("values",), ("unit",))
    if keys is None or "values" not in keys:
        return None
    if "unit" in keys and _unit(keys["unit"], reader) != parent.unit:
        reader.problem(keys["unit"], f"the parent gives {parent.name} in {parent.unit}: keep that")
    level = 1 + max((entry.level for entry in parent.entries), default=0)
    entries = _entries(keys["values"], reader, level)
    return dataclasses.replace(parent, entries=(*parent.entries, *entries))


def _entries(node: Node, reader: Reader, level: int = 0) -> tuple[LimitEntry, ...]:
    entries: list[tuple[Node, LimitEntry]] = []
    for item in reader.items(node, "values") or ():
        entry = _entry(item, reader, level)
        if entry is None:
            continue
        if level and entry.approved is None:
            reader.problem(item, 'a site\'s own value needs "approved" with by, on and why')
        _refuse_conflict(entry, entries, item, reader)
        entries.append((item, entry))
    return tuple(entry for _, entry in entries)


def _refuse_conflict(
    entry: LimitEntry, earlier: list[tuple[Node, LimitEntry]], node: Node, reader: Reader
) -> None:
    for other_node, other in earlier:
        if entry.conflicts_with(other):
            line = other_node.start_mark.line + 1
            reader.problem(
                node,
                f"this value and that of line {line} hold for the same patients since the same "
                "day: narrow one of them or give it a later day",
            )


def _unit(node: Node, reader: Reader) -> str | None:
    # A unit such as 1 or % is plain text; a bare 1 is a number to YAML and means the same.
    if str(node.value) == "1":
        return "1"
    unit = reader.text(node, "a UCUM unit")
    if unit is None:
        return None
    try:
        return check(unit)
    except UnitError as error:
        reader.problem(node, str(error))
        return None


def _entry(node: Node, reader: Reader, level: int) -> LimitEntry | None:
    optional = ("value", "absent", "where", "approved")
    keys = reader.mapping(node, "a value", ("since", "source"), optional)
    if keys is None:
        return None
    if ("value" in keys) == ("absent" in keys):
        reader.problem(node, 'expected either "value" or "absent" (why there is no value)')
        return None
    where = _where(keys["where"], reader) if "where" in keys else Where()
    since = _day(keys["since"], reader) if "since" in keys else None
    source = read_source(keys["source"], reader) if "source" in keys else None
    value = read_number(keys["value"], reader) if "value" in keys else None
    absent = reader.text(keys["absent"], "a reason") if "absent" in keys else None
    approved = read_approval(keys["approved"], reader) if "approved" in keys else None
    if where is None or since is None or source is None or (value is None and absent is None):
        return None
    return LimitEntry(value, absent, where, since, source, approved, level)


def _day(node: Node, reader: Reader) -> datetime.date | None:
    try:
        if is_date(node):
            return datetime.date.fromisoformat(node.value)
    except ValueError:
        pass
    reader.problem(node, f"expected a day such as 2026-11-25, found {kind_of(node)}")
    return None


def _where(node: Node, reader: Reader) -> Where | None:
    keys = reader.mapping(node, '"where"', (), ("class", "species", "mass", "phase"))
    if keys is None:
        return None
    words: dict[str, str | None] = {}
    for key, what, known in (("class", "a class", CLASSES), ("phase", "a phase", PHASES)):
        if key in keys:
            words[key] = reader.word(keys[key], what, known)
    if "species" in keys:
        words["species"] = reader.text(keys["species"], "a species")
    band = _band(keys["mass"], reader) if "mass" in keys else None
    if None in words.values() or ("mass" in keys and band is None):
        return None
    where = Where(words.get("species"), words.get("class"), band, words.get("phase"))
    mass_words = str(keys["mass"].value).strip() if "mass" in keys else None
    return dataclasses.replace(where, words=describe(where, mass_words))


def _band(node: Node, reader: Reader) -> tuple[float, float] | None:
    text = reader.text(node, "a mass band")
    if text is None:
        return None
    ends = text.split(" to ")
    if len(ends) != 2:
        reader.problem(node, f'expected a mass band such as "0 kg to 1 kg", found "{text}"')
        return None
    low, high = (quantity_in(end, "kg", node, reader) for end in ends)
    if low is None or high is None:
        return None
    if not 0 <= low < high:
        reader.problem(node, f'the mass band "{text}" is empty: the lower end comes first')
        return None
    return low, high
