"""Arrivals, watches and a look into the file, for the tests of the store."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from sqlite_utils import Database

from adapters.rule_files import load_rules
from adapters.sqlite.reading import open_for_reading
from adapters.sqlite.store import SqliteStore
from rules.engine.plain import PlainEngine
from service.instants import to_text
from service.intake import Arrival
from service.watch import Outcome, Watch

START_MS = 1_795_611_600_000
#: A small rule set that never changes: what is tested here is the store, not the rules.
RULES = load_rules("small-animal-ventilation@0.1.0")
TABLES = (
    "messages", "quarantine", "quarantined_payloads", "numerics", "waveform_blocks", "breaths",
    "co2_breaths", "findings", "advisories", "advisory_events", "advisory_readings", "outbox",
    "pause_events", "places", "progress", "checkpoints",
)  # fmt: skip


def new_watch() -> Watch:
    """A watch with the rules of the library."""
    return Watch(RULES.rule_set, PlainEngine(RULES.rule_set))


def begin(store: SqliteStore, *, resumed: bool = False) -> SqliteStore:
    """The store with a run begun."""
    store.begin_run(
        started_ms=START_MS,
        instance="test",
        software="tidewarden test",
        engine="plain",
        rule_set=RULES.rule_set,
        rule_files=RULES.files,
        resumed=resumed,
    )
    return store


def numerics(seq: int, spo2: float = 97.0, *, epoch: str = "e", unit: str = "%") -> Arrival:
    """One reading a second."""
    received_ms = START_MS + 1000 * seq
    body = {
        "schema": 1,
        "device": "monitor:1",
        "epoch": epoch,
        "seq": seq,
        "at": to_text(received_ms),
        "values": {"spo2": {"value": spo2, "unit": unit}},
    }
    payload = json.dumps(body).encode()
    return Arrival(received_ms, "tidewarden/1/recovery/bay-1/numerics", payload)


def step(watch: Watch, arrivals: list[Arrival]) -> Outcome:
    """The outcome of these arrivals."""
    return watch.step(arrivals, (arrivals[-1].received_ms // 50 + 1) * 50)


def rows(database: Database, query: str, *values: object) -> list[tuple[Any, ...]]:
    """All rows as plain tuples."""
    return [tuple(row) for row in database.execute(query, values).fetchall()]


def counts(path: Path) -> dict[str, int]:
    """How many rows each table holds."""
    database = open_for_reading(path)
    return {name: rows(database, f"select count(*) from {name}")[0][0] for name in TABLES}  # noqa: S608
