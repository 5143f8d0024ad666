"""A whole backtest: which tasks are left, what came of them, and the files about it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Final

from pydantic import TypeAdapter

from adapters.backtest.judging import Night
from adapters.backtest.sources import Source, Sources, Unread
from adapters.backtest.spread import Workers, watch_all
from adapters.backtest.watching import Event, Task, Watched
from adapters.journal import code_sha256, open_journal
from adapters.rule_files import LoadedRules

#: What was watched already. It stays: a night that is added later, or labels that are mended, do
#: not make the others be watched again.
WATCHED: Final = "watched.jsonl"
_WATCHED: Final = TypeAdapter(Watched)


@dataclass(frozen=True, slots=True)
class Said:
    """What one rule set said of one source, all parts together."""

    events: tuple[Event, ...]
    failed: dict[str, int]


@dataclass(frozen=True, slots=True)
class Backtest:
    """Every source as it was watched (`nights`), and what each rule set said of it.

    `said` holds, for each rule set, what it said of each night, in their order. `unread` could not
    be used, or only in part.
    """

    rules: tuple[LoadedRules, ...]
    nights: tuple[Night, ...]
    said: tuple[tuple[Said, ...], ...]
    messages: int
    refused: int
    unread: tuple[Unread, ...]
    #: Tasks that an earlier run had done already.
    known: int


def tasks_of(sources: Sequence[Source], rules: Sequence[LoadedRules]) -> list[Task]:
    """Every part of every source by every rule set. The largest files come first, so that no
    worker waits for one of them at the end."""
    ordered = sorted(sources, key=lambda source: (-source.path.stat().st_size, source.name))
    return [
        Task(source, part, one.rule_set.sha256, one.files)
        for source in ordered
        for part in range(len(source.parts))
        for one in rules
    ]


def run_backtest(
    sources: Sources,
    rules: Sequence[LoadedRules],
    workers: Workers,
    watched: AbstractContextManager[Callable[[], None]],
    out: Path,
) -> Backtest:
    """Watch everything again that was not watched yet.

    Each task that is done is kept in `out`, and not done again. `watched` is entered when the work
    begins, and what it gives is called after each task. SpreadError, JournalError say what is
    wrong.
    """
    tasks = tasks_of(sources.found, rules)
    unread = list(sources.unread)
    # Another version of the code might say something else: then all is watched again.
    code = {"code": code_sha256()}
    kept = open_journal(out / WATCHED, code, _WATCHED, replace_other=True)
    with kept as journal, watched as each:
        found = {one.key: one for one in journal.done}
        left = []
        for task in tasks:
            if task.key in found:
                each()
            else:
                left.append(task)
        for result in watch_all(left, workers):
            if isinstance(result, Watched):
                journal.add(result)
                found[result.key] = result
            else:
                unread.append(result)
            each()
    return _together(sources.found, rules, found, unread, len(tasks) - len(left))


def _together(
    sources: Sequence[Source],
    rules: Sequence[LoadedRules],
    found: dict[tuple[str, int, str], Watched],
    unread: list[Unread],
    known: int,
) -> Backtest:
    nights: list[Night] = []
    said: list[list[Said]] = [[] for _ in rules]
    messages = refused = 0
    lost = {one.name for one in unread}
    for source in sources:
        if source.name in lost:
            continue
        by_rules = [
            [found[source.identity, part, one.rule_set.sha256] for part in range(len(source.parts))]
            for one in rules
        ]
        parts = by_rules[0]
        nights.append(_night(source, parts))
        messages += sum(part.messages for part in parts)
        # What is of no place comes with every part.
        refused += max((part.refused for part in parts), default=0)
        unread += [Unread(source.name, part.broken) for part in parts if part.broken is not None]
        for at, watched in enumerate(by_rules):
            said[at].append(_said(watched))
    reasons = sorted(set(unread), key=lambda one: (one.name, one.why))
    return Backtest(
        tuple(rules),
        tuple(nights),
        tuple(tuple(one) for one in said),
        messages,
        refused,
        tuple(next(group) for _, group in groupby(reasons, key=lambda one: one.name)),
        known,
    )


def _night(source: Source, parts: Sequence[Watched]) -> Night:
    begins = [part.begins_ms for part in parts if part.begins_ms]
    return Night(
        source.name,
        min(begins, default=0),
        max(part.ends_ms for part in parts),
        {place: heard for part in parts for place, heard in part.heard.items()},
    )


def _said(parts: Sequence[Watched]) -> Said:
    events = sorted(
        (event for part in parts for event in part.events),
        key=lambda event: (event.at_ms, event.place, event.rule, event.kind),
    )
    failed: dict[str, int] = {}
    for part in parts:
        for error, count in part.failed.items():
            failed[error] = failed.get(error, 0) + count
    return Said(tuple(events), failed)
