"""Tables on versions of rule sets: what was released, what was activated, what a trial said."""

from __future__ import annotations

from sqlite_utils import Database
from sqlite_utils.db import Table


def create_refusals_and_trial_findings(db: Database) -> None:
    """A service enters which entry it does not follow; findings of a trial beside its events."""
    Table(db, "rule_activations").add_column("refers_id", int)
    Table(db, "trial_findings").create(
        {"id": int, "place_id": int, "rule_set_id": int, "rule": str, "at": str, "holds": int},
        pk="id",
        foreign_keys=[("rule_set_id", "rule_sets", "id"), ("place_id", "places", "id")],
    )


def create_release_scenarios(db: Database) -> None:
    """The scenarios of a release: their files, their hash, and what came of them.

    Of releases from before the hash is null: nobody has kept what they were.
    """
    releases = Table(db, "rule_releases")
    releases.add_column("scenarios_sha256", str)
    releases.add_column("scenarios", int)
    releases.add_column("not_as_expected", int)
    releases.add_column("override_reason", str)
    Table(db, "release_scenarios").create(
        {"rule_set_id": int, "file": str, "content": bytes},
        pk=("rule_set_id", "file"),
        foreign_keys=[("rule_set_id", "rule_sets", "id")],
        not_null={"content"},
    )


def create_rule_versions(db: Database) -> None:
    """Releases, activations and trials, and which of them each stretch of the stream went by."""
    rule_set = ("rule_set_id", "rule_sets", "id")
    Table(db, "rule_releases").create(
        {
            "id": int,
            "rule_set_id": int,
            "released_at": str,
            "by": str,
            "notes": str,
            "backport": int,
        },
        pk="id",
        foreign_keys=[rule_set],
        not_null={"rule_set_id", "released_at", "by", "notes", "backport"},
    )
    Table(db, "rule_releases").create_index(["rule_set_id"], unique=True)
    Table(db, "rule_activations").create(
        {
            "id": int,
            "action": str,
            "rule_set_id": int,
            "replaces_id": int,
            "by": str,
            "author": str,
            "reason": str,
            "at": str,
            "override_reason": str,
        },
        pk="id",
        foreign_keys=[rule_set, ("replaces_id", "rule_sets", "id")],
        not_null={"action", "rule_set_id", "by", "reason", "at"},
    )
    Table(db, "trial_events").create(
        {
            "id": int,
            "rule_set_id": int,
            "place_id": int,
            "advisory_id": str,
            "at": str,
            "event": str,
            "reason": str,
            "body": str,
        },
        pk="id",
        foreign_keys=[rule_set, ("place_id", "places", "id")],
    )
    runs = Table(db, "runs")
    runs.add_column("switched", int, not_null_default=0)
    runs.add_column("activation_id", int)
    runs.add_column("trial_rule_set_id", int)
    Table(db, "advisory_events").add_column("rule_set_id", int)
