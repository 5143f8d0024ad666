"""The same messages through the whole pipeline and through a bare floor, timed alike.

The floor is what no service can do without: read the JSON and put the payload into SQLite, with
the same durability and the same number of transactions.
"""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from end_to_end.ward_load import plan

from adapters.rule_files import LoadedRules, load_rules
from adapters.sqlite.store import SqliteStore
from rules.engine import build_engine
from service.instants import from_text
from service.intake import Arrival
from service.watch import CYCLE_MS, Watch

START_MS = from_text("2026-11-25T13:00:00Z")


@dataclass(slots=True)
class Timing:
    """What one run took. Cycle times in s, one for each cycle that had messages."""

    messages: int = 0
    evaluations: int = 0
    seconds: float = 0.0
    cycles_s: list[float] = field(default_factory=list)

    @property
    def per_second(self) -> float:
        """Messages a second of work."""
        return self.messages / self.seconds

    def cycle_ms(self, share: float) -> float:
        """The cycle time under which this share of cycles lies."""
        ordered = sorted(self.cycles_s)
        return 1000.0 * ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def arrivals(places: int, seconds: float) -> list[Arrival]:
    """What `places` places send in `seconds`, at real-life rates."""
    return [
        Arrival(START_MS + item.sent_ms, item.topic, item.payload(START_MS, "1"))
        for item in plan(places, seconds, START_MS)
    ]


def cycles(received: Sequence[Arrival]) -> Iterator[tuple[list[Arrival], int]]:
    """The arrivals of each cycle, and its end."""
    batch: list[Arrival] = []
    end_ms = (received[0].received_ms // CYCLE_MS + 1) * CYCLE_MS
    for arrival in received:
        while arrival.received_ms >= end_ms:
            yield batch, end_ms
            batch, end_ms = [], end_ms + CYCLE_MS
        batch.append(arrival)
    yield batch, end_ms


class Run(Protocol):
    """Something that works through arrivals cycle by cycle, and notes how long it took."""

    timing: Timing

    def step(self, batch: list[Arrival], end_ms: int) -> None:
        """Work through the arrivals of one cycle."""

    def close(self) -> None:
        """No more comes."""


class Pipeline:
    """Intake, bedsides, facts, rules, advisories and the store."""

    def __init__(self, folder: Path, rules: LoadedRules | None = None) -> None:
        rules = rules or load_rules("small-animal-ventilation@0.1.0")
        engine = build_engine(rules.rule_set)
        self.timing = Timing()
        self._watch, self._store = Watch(rules.rule_set, engine), SqliteStore(folder)
        self._store.begin_run(
            started_ms=START_MS,
            instance="benchmark",
            software="benchmark",
            engine=engine.name,
            rule_set=rules.rule_set,
            rule_files=rules.files,
            resumed=False,
        )

    def step(self, batch: list[Arrival], end_ms: int) -> None:
        began = time.perf_counter()
        outcome = self._watch.step(batch, end_ms)
        if not outcome.is_empty():
            self._store.commit(outcome, [], None)
        _note(self.timing, batch, time.perf_counter() - began)
        self.timing.evaluations += outcome.evaluations

    def close(self) -> None:
        self._store.close()


class Floor:
    """json.loads and one insert a message, one transaction a cycle."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.timing = Timing()
        self._database = sqlite3.connect(folder / "floor.sqlite")
        self._database.execute("pragma journal_mode=wal")
        self._database.execute("pragma synchronous=full")
        self._database.execute(
            "create table m (id integer primary key, at int, topic text, payload text)"
        )

    def step(self, batch: list[Arrival], end_ms: int) -> None:
        began = time.perf_counter()
        rows = []
        for arrival in batch:
            json.loads(arrival.payload)
            rows.append((arrival.received_ms, arrival.topic, arrival.payload.decode()))
        if rows:
            with self._database:
                self._database.executemany(
                    "insert into m (at, topic, payload) values (?, ?, ?)", rows
                )
        _note(self.timing, batch, time.perf_counter() - began)

    def close(self) -> None:
        self._database.close()


def work_through(received: Sequence[Arrival], *runs: Run) -> None:
    """Each cycle by all of the runs in turn: a machine busy elsewhere slows all of them alike."""
    for batch, end_ms in cycles(received):
        for run in runs:
            run.step(batch, end_ms)
    for run in runs:
        run.close()


def pipeline(received: Sequence[Arrival], folder: Path, rules: LoadedRules | None = None) -> Timing:
    """All the arrivals through the pipeline alone."""
    run = Pipeline(folder, rules)
    work_through(received, run)
    return run.timing


def _note(timing: Timing, batch: Sequence[Arrival], seconds: float) -> None:
    timing.messages += len(batch)
    timing.seconds += seconds
    if batch:
        timing.cycles_s.append(seconds)
