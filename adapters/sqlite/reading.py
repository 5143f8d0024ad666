"""Reading a store: how far it has come, its runs, and its arrivals as they were received."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlite_utils import Database

from service.intake import Arrival
from service.messages import RefusalError, split_topic


class StoreError(RuntimeError):
    """The store cannot be used as asked; the text says what to do."""


class NoTablesError(StoreError):
    """A database without the tables of a store: not one, or one that was never finished."""


@dataclass(frozen=True, slots=True)
class Run:
    """One stretch decided by the same rules: a start of a service, or a switch under way.

    It begins after an arrival and a cycle. `rule_files` are the rules it decided by, `places` the
    only ones it accepted (None: any), `trial_files` the rules on trial (None: none). `switched`
    says that the service went on without a pause; `number` counts up.
    """

    number: int

    started_ms: int
    after_arrival: int
    reached_ms: int
    resumed: bool
    rule_files: Mapping[str, str]
    places: tuple[str, ...] | None
    switched: bool = False
    trial_files: Mapping[str, str] | None = None


@dataclass(frozen=True, slots=True)
class Stretch:
    """Arrivals watched without a pause, up to a cycle; `run` began them, if one did."""

    arrivals: Sequence[Arrival]
    run: Run | None
    until_ms: int


@dataclass(frozen=True, slots=True)
class Progress:
    """How far the store has come: end of the last cycle kept, and the last arrival number."""

    reached_ms: int
    last_arrival: int


def read_progress(db: Database) -> Progress | None:
    """How far a store has come; None in a new one."""
    row = db.execute("select reached_ms, last_arrival from progress").fetchone()
    return None if row is None else Progress(int(row[0]), int(row[1]))


def read_checkpoint(db: Database) -> tuple[int, bytes] | None:
    """The last checkpoint and the arrival number up to which it holds."""
    row = db.execute("select last_arrival, state from checkpoints").fetchone()
    return None if row is None else (int(row[0]), bytes(row[1]))


def read_runs(db: Database) -> list[Run]:
    """All starts of a service on a store, and all switches of rules, in order."""
    # A store that no service has opened since has no switches, nor the columns for them.
    known = {row[1] for row in db.execute("pragma table_info(runs)")}
    switched = "r.switched, t.files" if "switched" in known else "0, null"
    trial = "left join rule_sets t on t.id = r.trial_rule_set_id" if "switched" in known else ""
    rows = db.execute(
        f"""
        select r.id, r.started_ms, r.after_arrival, r.reached_ms, r.resumed, s.files, r.places,
               {switched}
          from runs r join rule_sets s on s.id = r.rule_set_id {trial} order by r.id
        """  # noqa: S608 - our words
    )
    return [_run(*row) for row in rows]


def _run(number: int, started: int, after: int, reached: int, resumed: int, *rest: Any) -> Run:
    files, places, switched, trial_files = rest
    return Run(
        number=number,
        started_ms=started,
        after_arrival=after,
        reached_ms=reached,
        resumed=bool(resumed),
        rule_files=json.loads(files),
        places=None if places is None else tuple(json.loads(places)),
        switched=bool(switched),
        trial_files=None if trial_files is None else json.loads(trial_files),
    )


def stretches(
    arrivals: Sequence[Arrival], runs: Sequence[Run], after: int, until_ms: int
) -> Iterator[Stretch]:
    """`arrivals`, which are those after number `after`, cut where `runs` began."""
    first, begun_by = after, None
    for run in runs:
        yield Stretch(arrivals[first - after : run.after_arrival - after], begun_by, run.reached_ms)
        first, begun_by = run.after_arrival, run
    yield Stretch(arrivals[first - after :], begun_by, until_ms)


def read_arrivals(db: Database, after: int = 0) -> Iterator[Arrival]:
    """Accepted and refused arrivals of a store in their order of receipt."""
    return (arrival for _, arrival in read_numbered(db, after))


def read_numbered(
    db: Database, after: int = 0, places: Collection[str] | None = None
) -> Iterator[tuple[int, Arrival]]:
    """Arrivals after number `after`, each with its number; with `places` only theirs.

    What was refused before it was known of which place it is comes along in any case.
    """
    # A cross join keeps the order in which the tables are named: rows come by number, unsorted.
    rows = db.execute(
        """
        with wanted as (
            select id, ward || '/' || place as name from places
             where :places is null or ward || '/' || place in (select value from json_each(:places))
        )
        select m.id, m.received_ms, 'tidewarden/1/' || w.name || '/' || m.kind, m.payload
          from messages m cross join wanted w on w.id = m.place_id where m.id > :after
        union all
        select q.id, q.received_ms, q.topic, b.payload
          from quarantine q join quarantined_payloads b on b.sha256 = q.payload_sha256
         where q.id > :after
         order by 1
        """,
        {"after": after, "places": None if places is None else json.dumps(sorted(places))},
    )
    for number, received_ms, topic, payload in rows:
        if places is None or _place_in(topic) in (None, *places):
            content = payload.encode() if isinstance(payload, str) else payload
            yield number, Arrival(received_ms, topic, content)


def _place_in(topic: str) -> str | None:
    """`ward/place` of a topic; None where it has none."""
    try:
        ward, place, _ = split_topic(topic)
    except RefusalError:
        return None
    return f"{ward}/{place}"


def open_for_reading(path: Path) -> Database:
    """A store opened read-only, also while a service writes it. Rows come by name."""
    if not path.is_file():
        raise StoreError(f"{path}: no store there")
    database = Database(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True))
    try:
        known = database.table_names()
    except sqlite3.OperationalError as error:
        database.close()
        raise StoreError(f"{path}: cannot be read just now: {error}") from None
    except sqlite3.DatabaseError as error:
        database.close()
        raise StoreError(f"{path}: not a store of Tidewarden: {error}") from None
    if "messages" not in known:
        database.close()
        raise NoTablesError(f"{path}: not a store of Tidewarden: it has no table of messages")
    return database
