"""One part of a source through the watch that runs live, and what it said."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import takewhile
from pathlib import Path
from typing import Final

from sqlite_utils import Database

from adapters.backtest.sources import Source
from adapters.recordings import RecordingError, read_recording
from adapters.replay import HEARD_MS, RUN_OUT_MS, begin_as, run_arrivals
from adapters.rule_files import LoadedRules, loaded_again
from adapters.sqlite.reading import Run, open_for_reading, read_numbered, read_runs
from rules.engine import build_engine
from service.intake import Arrival
from service.watch import CYCLE_MS, Outcome, Watch

#: Whole rule sets kept ready in one process.
_READY: Final = 8


@dataclass(frozen=True, slots=True)
class Task:
    """One part of a source, to be watched by one rule set.

    It carries what it needs: another machine has the files of the sources at the same paths, and
    none of the rules.
    """

    source: Source
    part: int
    rules: str
    rule_files: Mapping[str, str]

    @property
    def key(self) -> tuple[str, int, str]:
        """What makes two tasks the same: what is watched, and by what."""
        return (self.source.identity, self.part, self.rules)


@dataclass(frozen=True, slots=True)
class Event:
    """One event of an advisory. `place` is `ward/place`; times in ms since 1970."""

    at_ms: int
    kind: str
    id: str
    place: str
    patient: str | None
    rule: str
    priority: str
    speaks: bool
    raised_ms: int
    says: str


@dataclass(frozen=True, slots=True)
class Watched:
    """What came of a task. `heard` are, for each place, the stretches of 10 s in which something
    came of it, as (first, last) numbers since 1970.

    `broken` says from where on the source could not be read. `failed` counts looks at places that
    ended in an error of ours, by its kind.
    """

    source: str
    part: int
    rules: str
    begins_ms: int
    ends_ms: int
    messages: int
    refused: int
    heard: dict[str, list[tuple[int, int]]]
    events: list[Event]
    failed: dict[str, int] = field(default_factory=dict)
    broken: str | None = None

    @property
    def key(self) -> tuple[str, int, str]:
        """The task that it is of."""
        return (self.source, self.part, self.rules)


def watch_again(task: Task) -> Watched:
    """Watch a part of a source. RecordingError or StoreError when none of it can be read."""
    rules = _rules(task.rules, tuple(sorted(task.rule_files.items())))
    # Of two engines that answer alike the quicker one: there may be years of nights.
    watch = Watch(rules.rule_set, build_engine(rules.rule_set, "plain"))
    seen = _Seen()
    broken = None
    if task.source.kind == "store":
        _watch_store(task, rules, watch, seen)
    else:
        broken = _watch_recording(task.source.path, watch, seen)
    seen.take(watch.finish())
    return Watched(
        source=task.source.identity,
        part=task.part,
        rules=task.rules,
        begins_ms=seen.begins_ms or 0,
        ends_ms=watch.state.reached_ms,
        messages=seen.messages,
        refused=seen.refused,
        heard={place: _stretches(numbers) for place, numbers in sorted(seen.heard.items())},
        events=seen.events,
        failed=dict(sorted(seen.failed.items())),
        broken=broken,
    )


@lru_cache(maxsize=_READY)
def _rules(_sha256: str, files: tuple[tuple[str, str], ...]) -> LoadedRules:
    return loaded_again(dict(files))


@dataclass(slots=True)
class _Seen:
    """What has come so far."""

    begins_ms: int | None = None
    messages: int = 0
    refused: int = 0
    heard: dict[str, set[int]] = field(default_factory=dict)
    events: list[Event] = field(default_factory=list)
    failed: dict[str, int] = field(default_factory=dict)

    def take(self, outcome: Outcome) -> None:
        self.messages += len(outcome.accepted)
        self.refused += len(outcome.refused)
        for item in outcome.accepted:
            place = f"{item.ward}/{item.place}"
            self.heard.setdefault(place, set()).add(item.arrival.received_ms // HEARD_MS)
        for _, error in outcome.failed:
            self.failed[error] = self.failed.get(error, 0) + 1
        for place, event, _ in outcome.events:
            advisory = event.advisory
            self.events.append(
                Event(
                    at_ms=event.at_ms,
                    kind=event.kind,
                    id=advisory.id,
                    place=place,
                    patient=advisory.patient,
                    rule=advisory.rule,
                    priority=str(advisory.priority),
                    speaks=event.speaks,
                    raised_ms=advisory.raised_ms,
                    says=advisory.says,
                )
            )

    def noting(self, arrivals: Iterable[Arrival]) -> Iterator[Arrival]:
        """The same arrivals; the first of them is where the source begins."""
        for arrival in arrivals:
            if self.begins_ms is None:
                self.begins_ms = arrival.received_ms
            yield arrival


def _watch_recording(path: Path, watch: Watch, seen: _Seen) -> str | None:
    """A night whose end was lost counts up to there; returns what was wrong then."""
    broken: list[str] = []
    last_ms = run_arrivals(watch, seen.noting(_until_broken(path, broken)), seen.take)
    if broken and seen.begins_ms is None:
        raise RecordingError(broken[0])
    seen.take(watch.step([], (last_ms + RUN_OUT_MS) // CYCLE_MS * CYCLE_MS))
    return broken[0] if broken else None


def _until_broken(path: Path, broken: list[str]) -> Iterator[Arrival]:
    try:
        yield from read_recording(path)
    except RecordingError as error:
        broken.append(str(error))


def _watch_store(task: Task, rules: LoadedRules, watch: Watch, seen: _Seen) -> None:
    """The pauses between runs as they were; rules that have changed meanwhile are not followed."""
    source = task.source
    database = open_for_reading(source.path)
    try:
        runs = [run for run in read_runs(database) if run.reached_ms <= source.reached_ms]
        ends = [*(run.reached_ms for run in runs), source.reached_ms]
        begun_by: list[Run | None] = [None, *runs]
        lasts = [*(run.after_arrival for run in runs), source.last_arrival]
        arrivals = _Ahead(_numbered(database, task))
        for run, last, until_ms in zip(begun_by, lasts, ends, strict=True):
            if run is not None:
                begin_as(watch, run, rules)
            run_arrivals(watch, seen.noting(arrivals.up_to(last)), seen.take)
            seen.take(watch.step([], until_ms))
    finally:
        database.close()


def _numbered(database: Database, task: Task) -> Iterator[tuple[int, Arrival]]:
    places = task.source.parts[task.part]
    found = read_numbered(database, 0, places)
    return takewhile(lambda item: item[0] <= task.source.last_arrival, found)


class _Ahead:
    """Numbered arrivals, handed out up to a number at a time."""

    def __init__(self, arrivals: Iterator[tuple[int, Arrival]]) -> None:
        self._arrivals = arrivals
        self._next = next(arrivals, None)

    def up_to(self, last: int) -> Iterator[Arrival]:
        while self._next is not None and self._next[0] <= last:
            arrival = self._next[1]
            self._next = next(self._arrivals, None)
            yield arrival


def _stretches(numbers: Iterable[int]) -> list[tuple[int, int]]:
    """Whole numbers as runs of (first, last)."""
    found: list[tuple[int, int]] = []
    for number in sorted(numbers):
        if found and number == found[-1][1] + 1:
            found[-1] = (found[-1][0], number)
        else:
            found.append((number, number))
    return found
