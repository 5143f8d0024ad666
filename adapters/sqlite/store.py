"""The store: everything received and decided, in one SQLite file, one transaction a cycle."""

from __future__ import annotations

import fcntl
import hashlib
import json
import sqlite3
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any, Final

from sqlite_utils import Database
from sqlite_utils.db import Table

from adapters.rule_files import LoadedRules
from adapters.sqlite.ledger import RuleLedger, keep_rule_set, writing
from adapters.sqlite.reading import (
    Progress,
    Run,
    StoreError,
    read_arrivals,
    read_checkpoint,
    read_progress,
    read_runs,
)
from adapters.sqlite.schema import migrations
from rules.model import RuleSet
from service import messages as wire
from service.advisories import Finding
from service.instants import to_text
from service.intake import Accepted, Arrival, Refused
from service.ports import Posting
from service.watch import Outcome

FILE_NAME: Final = "tidewarden.sqlite"
Row = dict[str, Any]


def store_file(given: Path) -> Path:
    """The file of a store that is given as its folder or as that file."""
    return given / FILE_NAME if given.is_dir() else given


class SqliteStore:
    """Write side of the store. One process at a time owns it."""

    def __init__(self, directory: Path) -> None:
        directory.mkdir(parents=True, exist_ok=True)
        self.path = directory / FILE_NAME
        self._lock = _lock(directory / "tidewarden.lock")
        self._db = Database(sqlite3.connect(self.path, check_same_thread=False))
        self._db.execute("pragma journal_mode=wal")
        self._db.execute("pragma synchronous=full")
        self._db.execute("pragma foreign_keys=on")
        migrations.apply(self._db)
        self._places: dict[tuple[str, str], int] = {
            (row["ward"], row["place"]): row["id"] for row in self._table("places").rows
        }
        self._next_posting = self._highest("outbox") + 1
        self._rule_set_id: int | None = None
        self._trial_id: int | None = None
        self.ledger = RuleLedger(self._db.conn)

    def close(self) -> None:
        """Close the file and give up the lock."""
        self._db.close()
        self._lock.close()

    # -- start ----------------------------------------------------------------------------

    def begin_run(  # noqa: PLR0913 - one row of runs, column by column
        self,
        *,
        started_ms: int,
        instance: str,
        software: str,
        engine: str,
        rule_set: RuleSet,
        rule_files: Mapping[str, str],
        places: Collection[str] | None = None,
        resumed: bool,
        trial: LoadedRules | None = None,
        activation: int | None = None,
        switched: bool = False,
    ) -> None:
        """Note the start of a service: who, with which rules and engine, after what.

        `switched`: not a start, but a switch to other rules between two cycles. `activation` is
        the last entry of `rule_activations` that was followed.
        """
        with self._write():
            self._rule_set_id = keep_rule_set(self._db.conn, rule_set, rule_files)
            self._trial_id = (
                None if trial is None else keep_rule_set(self._db.conn, trial.rule_set, trial.files)
            )
            progress = self.progress()
            self._table("runs").insert(
                {
                    "started_at": to_text(started_ms),
                    "started_ms": started_ms,
                    "after_arrival": progress.last_arrival if progress else 0,
                    "reached_ms": progress.reached_ms if progress else 0,
                    "instance": instance,
                    "software": software,
                    "engine": engine,
                    "rule_set_id": self._rule_set_id,
                    "places": None if places is None else json.dumps(sorted(places)),
                    "resumed": int(resumed),
                    "switched": int(switched),
                    "activation_id": activation,
                    "trial_rule_set_id": self._trial_id,
                }
            )

    def progress(self) -> Progress | None:
        """How far the store has come; None in a new one."""
        return read_progress(self._db)

    def checkpoint(self) -> tuple[int, bytes] | None:
        """The last checkpoint and the arrival number up to which it holds."""
        return read_checkpoint(self._db)

    def arrivals(self, after: int = 0) -> Iterator[Arrival]:
        """Stored arrivals with a number above `after`, in order."""
        return read_arrivals(self._db, after)

    def runs(self) -> list[Run]:
        """All starts and switches, in order."""
        return read_runs(self._db)

    def unsent(self) -> list[Posting]:
        """What is still in the outbox, in order."""
        return [
            Posting(row["id"], row["topic"], bytes(row["payload"]), bool(row["retain"]))
            for row in self._table("outbox").rows_where(order_by="id")
        ]

    # -- one cycle ------------------------------------------------------------------------

    def commit(
        self, outcome: Outcome, sent: Iterable[int], checkpoint: bytes | None
    ) -> list[Posting]:
        """Keep it all, or nothing: one transaction."""
        gone = list(sent)
        postings = self._postings(outcome)
        with self._transaction():
            self._keep_messages(outcome.accepted)
            self._keep_quarantine(outcome.refused)
            self._keep_breaths(outcome)
            self._keep_findings(outcome)
            self._keep_events(outcome)
            self._keep_pauses(outcome)
            self._keep_trial(outcome)
            self._keep_outbox(outcome.reached_ms, postings)
            self._db.conn.executemany(
                "delete from outbox where id = ?", [[number] for number in gone]
            )
            last = self._keep_progress(outcome)
            if checkpoint is not None:
                row = {
                    "id": 1,
                    "last_arrival": last,
                    "written_at": to_text(outcome.reached_ms),
                    "state": checkpoint,
                }
                self._table("checkpoints").upsert(row, pk="id")
        return postings

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        known = dict(self._places)
        try:
            with self._write():
                yield
        except BaseException:
            # Places that were entered are gone with the rest.
            self._places = known
            raise

    @contextmanager
    def _write(self) -> Iterator[None]:
        """One transaction, which has the right to write from its beginning.

        Commands write here too (`rule_activations`): one that came in between a read and a write
        would else make the write fail.
        """
        with writing(self._db.conn):
            yield

    def _postings(self, outcome: Outcome) -> list[Posting]:
        first = self._next_posting
        self._next_posting += len(outcome.outbox)
        return [
            Posting(first + at, message.topic, message.payload, message.retain)
            for at, message in enumerate(outcome.outbox)
        ]

    def _keep_messages(self, accepted: list[Accepted]) -> None:
        messages: list[Row] = []
        numerics: list[Row] = []
        blocks: list[Row] = []
        for item in accepted:
            place_id = self._place_id(item.ward, item.place)
            message = item.message
            messages.append(
                {
                    "id": item.number,
                    "received_at": to_text(item.arrival.received_ms),
                    "received_ms": item.arrival.received_ms,
                    "place_id": place_id,
                    "kind": item.kind,
                    "device": message.device,
                    "epoch": message.epoch,
                    "seq": message.seq,
                    "sent_at": to_text(message.at),
                    "payload": item.arrival.payload.decode(),
                }
            )
            if isinstance(message, wire.Numerics):
                numerics.extend(_numeric_rows(item.number, place_id, message))
            elif isinstance(message, wire.Waveform):
                blocks.append(_block_row(item.number, place_id, message))
        self._insert("messages", messages)
        self._insert("numerics", numerics)
        self._insert("waveform_blocks", blocks)

    def _keep_quarantine(self, refused: list[Refused]) -> None:
        for item in refused:
            payload = item.arrival.payload
            digest = hashlib.sha256(payload).hexdigest()
            self._db.execute(
                "insert or ignore into quarantined_payloads (sha256, payload) values (?, ?)",
                [digest, payload],
            )
            self._table("quarantine").insert(
                {
                    "id": item.number,
                    "received_at": to_text(item.arrival.received_ms),
                    "received_ms": item.arrival.received_ms,
                    "topic": item.arrival.topic,
                    "reason": item.reason,
                    "size_bytes": len(payload),
                    "payload_sha256": digest,
                }
            )

    def _keep_breaths(self, outcome: Outcome) -> None:
        breaths = [
            {
                "place_id": self._place_id(*name.split("/")),
                "started_at": to_text(round(breath.inflation.start_s * 1000)),
                "ti_s": breath.inflation.ti_s,
                "te_s": breath.te_s,
                "pip_cmh2o": breath.inflation.pip_cmh2o,
                "baseline_cmh2o": breath.inflation.baseline_cmh2o,
                "mean_cmh2o": breath.mean_cmh2o,
                "tidal_volume_ml": None if volume is None else volume.value,
                "tidal_volume_low_ml": None if volume is None else volume.low,
                "tidal_volume_high_ml": None if volume is None else volume.high,
                "kind": breath.inflation.kind,
                "because": breath.inflation.why,
                "step_cmh2o": breath.inflation.step_cmh2o,
                "slope_cmh2o_per_s": breath.inflation.slope_cmh2o_per_s,
                "effort_cmh2o": breath.inflation.effort_cmh2o,
                "quality": breath.inflation.quality,
                "message_id": self._message_id(breath.inflation.reference),
            }
            for name, breath, volume in outcome.breaths
        ]
        co2_breaths = [
            {
                "place_id": self._place_id(*name.split("/")),
                "started_at": to_text(round(breath.start_s * 1000)),
                "etco2_mmhg": breath.etco2_mmhg,
                "fico2_mmhg": breath.fico2_mmhg,
                "plateau_slope_mmhg_per_s": breath.slope_mmhg_per_s,
                "quality": breath.quality,
                "message_id": self._message_id(breath.reference),
            }
            for name, breath in outcome.co2_breaths
        ]
        self._insert("breaths", breaths)
        self._insert("co2_breaths", co2_breaths)

    def _keep_findings(self, outcome: Outcome) -> None:
        self._insert("findings", self._finding_rows(outcome.findings, self._rule_set_id))
        self._insert("trial_findings", self._finding_rows(outcome.trial_findings, self._trial_id))

    def _finding_rows(
        self, findings: list[tuple[str, Finding]], rule_set_id: int | None
    ) -> list[Row]:
        return [
            {
                "place_id": self._place_id(*name.split("/")),
                "rule_set_id": rule_set_id,
                "rule": finding.rule,
                "at": to_text(finding.at_ms),
                "holds": int(finding.holds),
            }
            for name, finding in findings
        ]

    def _keep_events(self, outcome: Outcome) -> None:
        for name, event, body in outcome.events:
            advisory = event.advisory
            self._table("advisories").upsert(
                {
                    "id": advisory.id,
                    "place_id": self._place_id(*name.split("/")),
                    "rule_set_id": self._rule_set_id,
                    **{
                        column: body[column]
                        for column in ("rule", "priority", "state", "patient", "raised_at",
                                       "acknowledged_at", "acknowledged_by", "ended_at",
                                       "cleared_at", "returned_at", "escalated_at", "times",
                                       "intermittent", "outranked_by", "says", "because")
                    },
                    "onset_at": body["onset"],
                },
                pk="id",
            )  # fmt: skip
            self._table("advisory_events").insert(
                {
                    "advisory_id": advisory.id,
                    "rule_set_id": self._rule_set_id,
                    "at": to_text(event.at_ms),
                    "event": event.kind,
                    "by": event.by,
                    "reason": event.reason,
                    "speaks": int(event.speaks),
                    "body": json.dumps(body, ensure_ascii=False, sort_keys=True),
                }
            )
            if event.kind in ("raised", "returned"):
                self._keep_readings(event.advisory.id, body)

    def _keep_trial(self, outcome: Outcome) -> None:
        self._insert(
            "trial_events",
            [
                {
                    "rule_set_id": self._trial_id,
                    "place_id": self._place_id(*name.split("/")),
                    "advisory_id": event.advisory.id,
                    "at": to_text(event.at_ms),
                    "event": event.kind,
                    "reason": event.reason,
                    "body": json.dumps(body, ensure_ascii=False, sort_keys=True),
                }
                for name, event, body in outcome.trial_events
            ],
        )

    def _keep_readings(self, advisory_id: str, body: Mapping[str, Any]) -> None:
        rows = {
            (evidence["fact"], message_id)
            for evidence in body["evidence"]
            for reference in evidence["readings"]
            if (message_id := self._message_id(reference)) is not None
        }
        # One that returns may rest on readings that it has rested on before.
        self._db.conn.executemany(
            "insert or ignore into advisory_readings (advisory_id, fact, message_id)"
            " values (?, ?, ?)",
            [(advisory_id, fact, message_id) for fact, message_id in sorted(rows)],
        )

    def _keep_pauses(self, outcome: Outcome) -> None:
        self._insert(
            "pause_events",
            [
                {
                    "place_id": self._place_id(*name.split("/")),
                    "at": to_text(event.at_ms),
                    "event": event.kind,
                    "by": event.by,
                    "reason": event.reason,
                    "until_at": to_text(event.until_ms),
                }
                for name, event in outcome.pauses
            ],
        )

    def _keep_outbox(self, reached_ms: int, postings: list[Posting]) -> None:
        self._insert(
            "outbox",
            [
                {
                    "id": posting.number,
                    "created_at": to_text(reached_ms),
                    "topic": posting.topic,
                    "payload": posting.payload,
                    "retain": int(posting.retain),
                }
                for posting in postings
            ],
        )

    def _keep_progress(self, outcome: Outcome) -> int:
        numbers = [item.number for item in outcome.accepted]
        numbers += [item.number for item in outcome.refused]
        known = self.progress()
        last = max(numbers, default=known.last_arrival if known else 0)
        self._db.execute(
            "insert or replace into progress (id, reached_ms, last_arrival) values (1, ?, ?)",
            [outcome.reached_ms, last],
        )
        return last

    # -- helpers --------------------------------------------------------------------------

    def _table(self, name: str) -> Table:
        return self._db.table(name)

    def _insert(self, table: str, rows: list[Row]) -> None:
        """Many rows alike. Straight to SQLite: insert_all reads the schema anew for every cycle."""
        if rows:
            names = ", ".join(f"[{name}]" for name in rows[0])
            values = ", ".join(f":{name}" for name in rows[0])
            query = f"insert into [{table}] ({names}) values ({values})"  # noqa: S608 - our names
            self._db.conn.executemany(query, rows)

    def _highest(self, table: str) -> int:
        found = self._db.execute(f"select max(id) from {table}").fetchone()  # noqa: S608 - our name
        return int(found[0] or 0)

    def _place_id(self, ward: str, place: str) -> int:
        known = self._places.get((ward, place))
        if known is None:
            self._table("places").insert({"ward": ward, "place": place})
            known = self._highest("places")
            self._places[ward, place] = known
        return known

    def _message_id(self, reference: str) -> int | None:
        """Row of `device:epoch:seq`; device and epoch may hold colons themselves."""
        parts = reference.split(":")
        for at in range(1, len(parts) - 1):
            key = [":".join(parts[:at]), ":".join(parts[at:-1]), int(parts[-1])]
            row = self._db.execute(
                "select max(id) from messages where device = ? and epoch = ? and seq = ?", key
            ).fetchone()
            if row[0] is not None:
                return int(row[0])
        return None


def _numeric_rows(number: int, place_id: int, message: wire.Numerics) -> list[Row]:
    return [
        {
            "message_id": number,
            "place_id": place_id,
            "name": name,
            "value": quantity.value,
            "unit": quantity.unit,
            "status": quantity.status,
        }
        for name, quantity in message.values.items()
    ]


def _block_row(number: int, place_id: int, message: wire.Waveform) -> Row:
    return {
        "message_id": number,
        "place_id": place_id,
        "channel": message.channel,
        "starts_at": to_text(message.at),
        "rate_hz": message.rate_hz,
        "sample_count": len(message.samples),
        "missing_count": sum(sample is None for sample in message.samples),
    }


def _lock(path: Path) -> IO[str]:
    handle = path.open("w")
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        handle.close()
        raise StoreError(
            f"{path.parent}: another Tidewarden service is writing this store; stop it or choose "
            "another [store] directory"
        ) from None
    return handle
