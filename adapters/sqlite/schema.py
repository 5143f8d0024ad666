"""The tables of the store, as migrations. Names and units are explained in adapters/README.md."""

from __future__ import annotations

from typing import Final

from sqlite_utils import Database, Migrations
from sqlite_utils.db import Table

from adapters.sqlite.schema_rules import (
    create_refusals_and_trial_findings,
    create_release_scenarios,
    create_rule_versions,
)

migrations = Migrations("tidewarden")

#: Messages that come seldom, among millions: who lies there, what is set, where it goes, what is
#: asked. A query that says this in these very words is answered by an index of its own.
SELDOM: Final = "kind in ('patient', 'settings', 'journey', 'request')"


def _table(db: Database, name: str) -> Table:
    return Table(db, name)


@migrations()
def m001_create(db: Database) -> None:
    """The first version of every table."""
    _table(db, "places").create(
        {"id": int, "ward": str, "place": str}, pk="id", not_null={"ward", "place"}
    )
    _table(db, "places").create_index(["ward", "place"], unique=True)
    _create_arrivals(db)
    _create_readings(db)
    _create_judgement(db)
    _create_machinery(db)


def _create_arrivals(db: Database) -> None:
    _table(db, "messages").create(
        {
            "id": int,
            "received_at": str,
            "received_ms": int,
            "place_id": int,
            "kind": str,
            "device": str,
            "epoch": str,
            "seq": int,
            "sent_at": str,
            "payload": str,
        },
        pk="id",
        foreign_keys=[("place_id", "places", "id")],
        not_null={"received_at", "received_ms", "place_id", "kind", "device", "epoch", "seq"},
    )
    # Not unique: intake drops repeats, but forgets the epochs of a device that often restarts.
    _table(db, "messages").create_index(["device", "epoch", "seq"])
    _table(db, "messages").create_index(["place_id", "received_ms"])
    _table(db, "quarantined_payloads").create({"sha256": str, "payload": bytes}, pk="sha256")
    _table(db, "quarantine").create(
        {
            "id": int,
            "received_at": str,
            "received_ms": int,
            "topic": str,
            "reason": str,
            "size_bytes": int,
            "payload_sha256": str,
        },
        pk="id",
        foreign_keys=[("payload_sha256", "quarantined_payloads", "sha256")],
        not_null={"received_at", "received_ms", "topic", "reason", "payload_sha256"},
    )


def _create_readings(db: Database) -> None:
    _table(db, "numerics").create(
        {
            "message_id": int,
            "place_id": int,
            "name": str,
            "value": float,
            "unit": str,
            "status": str,
        },
        pk=("message_id", "name"),
        foreign_keys=[("message_id", "messages", "id"), ("place_id", "places", "id")],
    )
    _table(db, "waveform_blocks").create(
        {
            "message_id": int,
            "place_id": int,
            "channel": str,
            "starts_at": str,
            "rate_hz": float,
            "sample_count": int,
            "missing_count": int,
        },
        pk="message_id",
        foreign_keys=[("message_id", "messages", "id"), ("place_id", "places", "id")],
    )
    # The samples themselves stand once, in the message; this view lays them out.
    db.create_view(
        "waveform_samples",
        """
        select b.message_id, b.place_id, b.channel, b.starts_at, s.key as sample_number,
               s.key / b.rate_hz as after_start_s, s.value as value,
               json_extract(m.payload, '$.unit') as unit
          from waveform_blocks b
          join messages m on m.id = b.message_id,
               json_each(m.payload, '$.samples') s
        """,
    )
    _table(db, "breaths").create(
        {
            "id": int,
            "place_id": int,
            "started_at": str,
            "ti_s": float,
            "te_s": float,
            "pip_cmh2o": float,
            "baseline_cmh2o": float,
            "mean_cmh2o": float,
            "tidal_volume_ml": float,
            "message_id": int,
        },
        pk="id",
        foreign_keys=[("place_id", "places", "id"), ("message_id", "messages", "id")],
    )
    _table(db, "breaths").create_index(["place_id", "started_at"])
    _table(db, "co2_breaths").create(
        {
            "id": int,
            "place_id": int,
            "started_at": str,
            "etco2_mmhg": float,
            "fico2_mmhg": float,
            "message_id": int,
        },
        pk="id",
        foreign_keys=[("place_id", "places", "id"), ("message_id", "messages", "id")],
    )
    _table(db, "co2_breaths").create_index(["place_id", "started_at"])


def _create_judgement(db: Database) -> None:
    _table(db, "rule_sets").create(
        {
            "id": int,
            "name": str,
            "version": str,
            "sha256": str,
            "files": str,
        },
        pk="id",
        not_null={"name", "version", "sha256", "files"},
    )
    _table(db, "rule_sets").create_index(["sha256"], unique=True)
    _table(db, "findings").create(
        {
            "id": int,
            "place_id": int,
            "rule_set_id": int,
            "rule": str,
            "at": str,
            "holds": int,
        },
        pk="id",
        foreign_keys=[("place_id", "places", "id"), ("rule_set_id", "rule_sets", "id")],
    )
    _table(db, "advisories").create(
        {
            "id": str,
            "place_id": int,
            "rule_set_id": int,
            "rule": str,
            "priority": str,
            "state": str,
            "patient": str,
            "onset_at": str,
            "raised_at": str,
            "acknowledged_at": str,
            "acknowledged_by": str,
            "cleared_at": str,
            "outranked_by": str,
            "says": str,
            "because": str,
        },
        pk="id",
        foreign_keys=[
            ("place_id", "places", "id"),
            ("rule_set_id", "rule_sets", "id"),
        ],
    )
    _table(db, "advisory_events").create(
        {
            "id": int,
            "advisory_id": str,
            "at": str,
            "event": str,
            "by": str,
            "reason": str,
            "body": str,
        },
        pk="id",
        foreign_keys=[("advisory_id", "advisories", "id")],
    )
    _table(db, "advisory_events").create_index(["advisory_id"])
    _table(db, "advisory_readings").create(
        {"advisory_id": str, "fact": str, "message_id": int},
        pk=("advisory_id", "fact", "message_id"),
        foreign_keys=[("advisory_id", "advisories", "id"), ("message_id", "messages", "id")],
    )


def _create_machinery(db: Database) -> None:
    _table(db, "outbox").create(
        {"id": int, "created_at": str, "topic": str, "payload": bytes, "retain": int}, pk="id"
    )
    _table(db, "runs").create(
        {
            "id": int,
            "started_at": str,
            "started_ms": int,
            "after_arrival": int,
            "reached_ms": int,
            "instance": str,
            "software": str,
            "engine": str,
            "rule_set_id": int,
            "places": str,
            "resumed": int,
        },
        pk="id",
        foreign_keys=[("rule_set_id", "rule_sets", "id")],
    )
    _table(db, "progress").create({"id": int, "reached_ms": int, "last_arrival": int}, pk="id")
    _table(db, "checkpoints").create(
        {"id": int, "last_arrival": int, "written_at": str, "state": bytes}, pk="id"
    )


@migrations()
def m002_what_breaths_mean(db: Database) -> None:
    """Kind, volume interval and quality of each breath."""
    numbers = ("tidal_volume_low_ml", "tidal_volume_high_ml", "step_cmh2o", "slope_cmh2o_per_s",
               "effort_cmh2o", "quality")  # fmt: skip
    breaths, co2_breaths = _table(db, "breaths"), _table(db, "co2_breaths")
    for name in numbers:
        breaths.add_column(name, float)
    for name in ("kind", "because"):
        breaths.add_column(name, str)
    for name in ("plateau_slope_mmhg_per_s", "quality"):
        co2_breaths.add_column(name, float)


@migrations()
def m003_the_life_of_advisories(db: Database) -> None:
    """How often an advisory came, when it ended, what spoke, and who paused a place."""
    advisories, events = _table(db, "advisories"), _table(db, "advisory_events")
    advisories.add_column("times", int)
    advisories.add_column("intermittent", int)
    for name in ("ended_at", "returned_at", "escalated_at"):
        advisories.add_column(name, str)
    events.add_column("speaks", int)
    # What was kept before came once, and spoke when it was raised with nothing over it.
    db.execute("update advisories set times = 1, intermittent = 0")
    db.execute(
        """
        update advisory_events
           set speaks = event = 'raised' and json_extract(body, '$.outranked_by') is null
        """
    )
    _table(db, "pause_events").create(
        {
            "id": int,
            "place_id": int,
            "at": str,
            "event": str,
            "by": str,
            "reason": str,
            "until_at": str,
        },
        pk="id",
        foreign_keys=[("place_id", "places", "id")],
        not_null={"place_id", "at", "event", "reason", "until_at"},
    )


@migrations()
def m004_versions_of_rules(db: Database) -> None:
    """Releases, activations and trials of rule sets."""
    create_rule_versions(db)


@migrations()
def m005_refusals_and_trial_findings(db: Database) -> None:
    """Entries of the ledger that a service does not follow; findings of a trial."""
    create_refusals_and_trial_findings(db)


@migrations()
def m006_scenarios_of_releases(db: Database) -> None:
    """What a release was rehearsed on."""
    create_release_scenarios(db)


@migrations()
def m007_what_is_said_seldom(db: Database) -> None:
    """Finds what people entered, confirmed and asked without reading all that was measured."""
    db.execute(f"create index messages_seldom on messages (place_id, received_ms) where {SELDOM}")
