"""What differs between two limits of the same name, value by value."""

from __future__ import annotations

import datetime
from dataclasses import replace
from typing import Final

from rules.changes import Change, Step, approval_words, quoted, source_words
from rules.condition_words import number_words
from rules.limits import Limit, LimitEntry, Where
from rules.looseness import loosened
from rules.wording import unit_words

#: What decides which value holds; a source does not.
_DECIDING: Final = ("value", "where", "since", "approved")


def limit_changes(before: Limit, after: Limit, ways: frozenset[bool]) -> list[Change]:
    """All changes between two limits of the same name, which rules use in these directions.

    Whatever loosens the limit for some patient is a major step (see `rules.looseness`).
    """
    found = []
    if before.meaning != after.meaning:
        words = quoted(before.meaning), quoted(after.meaning)
        found.append(Change("limit", before.name, "meaning", *words, Step.PATCH))
    if before.unit != after.unit:
        units = unit_words(before.unit) or "1", unit_words(after.unit) or "1"
        found.append(Change("limit", before.name, "unit", *units, Step.MAJOR))
    for old, new in _matched(before.entries, after.entries):
        wheres = [entry.where for entry in (old, new) if entry is not None]
        looser = before.unit == after.unit and loosened(before, after, wheres, ways)
        found += [
            replace(change, step=Step.MAJOR) if looser and change.field in _DECIDING else change
            for change in _entry_changes(before, after, old, new)
        ]
    return found


def whole_limit(limit: Limit) -> str:
    """A limit in a line: what it means, and each value."""
    values = "; ".join(f"{e.where.words}: {_value(e, limit.unit)}" for e in limit.entries)
    return f"{limit.meaning}; {values}"


def _matched(
    before: tuple[LimitEntry, ...], after: tuple[LimitEntry, ...]
) -> list[tuple[LimitEntry | None, LimitEntry | None]]:
    """Entries that belong together: for the same patients, else the same but for whom."""
    old = [entry for entry in before if entry not in after]
    new = [entry for entry in after if entry not in before]
    found: list[tuple[LimitEntry | None, LimitEntry | None]] = []
    for belongs in (_same_patients_and_day, _same_patients, _same_but_where):
        for one in list(old):
            other = next((entry for entry in new if belongs(one, entry)), None)
            if other is not None:
                found.append((one, other))
                old.remove(one)
                new.remove(other)
    return [*found, *((entry, None) for entry in old), *((None, entry) for entry in new)]


def _patients(where: Where) -> Where:
    return replace(where, words="", species=(where.species or "").casefold() or None)


def _same_patients_and_day(one: LimitEntry, other: LimitEntry) -> bool:
    return one.since == other.since and _same_patients(one, other)


def _same_patients(one: LimitEntry, other: LimitEntry) -> bool:
    return _patients(one.where) == _patients(other.where)


def _same_but_where(one: LimitEntry, other: LimitEntry) -> bool:
    return replace(one, where=other.where) == other


def _entry_changes(
    before: Limit, after: Limit, old: LimitEntry | None, new: LimitEntry | None
) -> list[Change]:
    if old is None:
        return [] if new is None else [_added(before, after, new)]
    if new is None:
        words = _dated(old, before.unit)
        return [Change("limit", _name(before, old), "value", words, None, Step.MAJOR)]
    found = []
    name = _name(before, old)
    if _patients(old.where) != _patients(new.where):
        whom = old.where.words, new.where.words
        found.append(Change("limit", name, "where", *whom, Step.MINOR))
    if (old.value, old.absent) != (new.value, new.absent):
        found.append(_value_change(name, old, new, before.unit, after.unit))
    if old.since != new.since:
        days = str(old.since), str(new.since)
        found.append(Change("limit", name, "since", *days, Step.MINOR))
    if old.source != new.source:
        sources = source_words(old.source), source_words(new.source)
        found.append(Change("limit", name, "source", *sources, Step.PATCH))
    if old.approved != new.approved:
        approvals = approval_words(old.approved), approval_words(new.approved)
        found.append(Change("limit", name, "approved", *approvals, Step.PATCH))
    return found


def _added(before: Limit, after: Limit, new: LimitEntry) -> Change:
    """A value beside the older ones: where it goes before one of them, that one is named."""
    rivals = [entry for entry in before.entries if _same_patients(entry, new)]
    now = max(rivals, key=_precedence, default=None)
    old = None
    if now is not None and _precedence(now) < _precedence(new):
        old = _value(now, before.unit)
    words = _dated(new, after.unit)
    return Change("limit", _name(before, new), "value", old, words, Step.MINOR)


def _precedence(entry: LimitEntry) -> tuple[bool, datetime.date]:
    return entry.approved is not None, entry.since


def _dated(entry: LimitEntry, unit: str) -> str:
    approved = "" if entry.approved is None else f", {approval_words(entry.approved)}"
    source = source_words(entry.source)
    return f"{_value(entry, unit)} since {entry.since}, source: {source}{approved}"


def _value_change(
    name: str, old: LimitEntry, new: LimitEntry, old_unit: str, new_unit: str
) -> Change:
    step = Step.MINOR
    if new.value is None:
        step = Step.PATCH if old.value is None else Step.MAJOR
    before, after = _value(old, old_unit), _value(new, new_unit)
    if old.value is not None and new.value is not None and old_unit == new_unit:
        # The unit once: `55 -> 50 mmHg`.
        before = number_words(old.value, "1")
    return Change("limit", name, "value", before, after, step)


def _value(entry: LimitEntry, unit: str) -> str:
    if entry.value is None:
        return f"no value ({entry.absent})"
    return number_words(entry.value, unit)


def _name(limit: Limit, entry: LimitEntry) -> str:
    return f"{limit.name} for {entry.where.words}"
