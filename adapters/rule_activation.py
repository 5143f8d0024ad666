"""Activating a released rule set, rolling back to the one before, and putting one on trial."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from adapters.library_releases import ReleaseError
from adapters.rule_files import LoadedRules
from adapters.rule_policy import Policy, same_person
from adapters.rule_releases import find, released
from adapters.sqlite.ledger import KeptRules, RuleLedger
from adapters.sqlite.reading import StoreError
from adapters.sqlite.store import FILE_NAME, SqliteStore
from rules.engine import build_engine

#: A running service writes for milliseconds at a time; a command waits for it this long (s).
WAIT_S = 10.0


@dataclass(frozen=True, slots=True)
class Signed:
    """Who does something now, and why. `at` is an instant as text."""

    by: str
    why: str
    at: str

    def __post_init__(self) -> None:
        if not self.by.strip():
            raise ReleaseError("--by is empty: give the name of the person who does this")
        if not self.why.strip():
            raise ReleaseError(
                "--why (for a release, --notes) is empty: say why; it is kept and shown"
            )


@contextmanager
def open_ledger(store: Path) -> Iterator[RuleLedger]:
    """The ledger of the store in this folder, also while a service writes the store.

    A folder without a store gets one, so that rules can be released before the first start.
    """
    folder = store.parent if store.suffix == ".sqlite" else store
    if not folder.is_dir():
        raise StoreError(
            f"{folder}: no such folder; give the [store] directory of the service, or make it first"
        )
    if store.suffix == ".sqlite" and store.name != FILE_NAME:
        raise StoreError(f"{store}: a service's store is called {FILE_NAME}; give its folder")
    path = folder / FILE_NAME
    if not path.is_file() or not _has_ledger(path):
        # Brings it up to date; refused while a service of an older version is writing it.
        SqliteStore(folder).close()
    connection = sqlite3.connect(path, timeout=WAIT_S)
    try:
        connection.execute("pragma foreign_keys=on")
        connection.execute("pragma synchronous=full")
        yield RuleLedger(connection)
    except sqlite3.OperationalError as error:
        raise StoreError(f"{path}: {error}; try again, or see whether the disk is full") from None
    finally:
        connection.close()


def _has_ledger(path: Path) -> bool:
    connection = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)
    try:
        columns = connection.execute("pragma table_info(rule_releases)")
        return "scenarios_sha256" in {row[1] for row in columns}
    except sqlite3.DatabaseError as error:
        raise StoreError(f"{path}: not a store of Tidewarden: {error}") from None
    finally:
        connection.close()


def activate(
    ledger: RuleLedger, spec: str, signed: Signed, author: str, policy: Policy,
    override_reason: str | None = None,
) -> LoadedRules:  # fmt: skip
    """Make a released rule set the active one. ReleaseError says why that may not be."""
    if not author.strip():
        raise ReleaseError("--author is empty: give the name of who wrote or changed the rules")
    objection = policy.objection(signed.by, author, override_reason)
    if objection is not None:
        raise ReleaseError(objection)
    rules = released(ledger, spec)
    build_engine(rules.rule_set)
    number = ledger.keep(rules.rule_set, rules.files)
    wanted = ledger.wanted()
    if wanted.active == number:
        raise ReleaseError(f"{spec} is active already")
    needed = policy.two_persons and same_person(signed.by, author)
    ledger.enter(
        "activate", number, at=signed.at, by=signed.by.strip(), reason=signed.why,
        author=author.strip(), override_reason=override_reason if needed else None,
    )  # fmt: skip
    if wanted.trial == number:
        why = "it is active now"
        ledger.enter("trial stop", number, at=signed.at, by=signed.by.strip(), reason=why)
    return rules


def rollback(ledger: RuleLedger, signed: Signed) -> KeptRules:
    """Make the one active again that was before the present one."""
    before = ledger.before()
    if before is None:
        raise ReleaseError(
            "nothing was active in this store before: activate a version (tidewarden rules "
            "activate NAME@VERSION)"
        )
    ledger.enter("rollback", before, at=signed.at, by=signed.by.strip(), reason=signed.why)
    return ledger.rules(before)


def start_trial(ledger: RuleLedger, spec: str, signed: Signed) -> LoadedRules:
    """Put a rule set on trial beside the active one: NAME@VERSION, or a folder."""
    rules = find(spec, ledger)
    build_engine(rules.rule_set)
    wanted = ledger.wanted()
    if wanted.trial is not None:
        running = ledger.rules(wanted.trial).spec
        raise ReleaseError(
            f"{running} is on trial already, one at a time: stop it first (tidewarden rules trial "
            "stop)"
        )
    number = ledger.keep(rules.rule_set, rules.files)
    if number == (wanted.active or ledger.in_use()):
        raise ReleaseError(f"{spec} is the active one: there is nothing to compare it with")
    ledger.enter("trial start", number, at=signed.at, by=signed.by.strip(), reason=signed.why)
    return rules


def stop_trial(ledger: RuleLedger, signed: Signed) -> KeptRules:
    """End the trial."""
    trial = ledger.wanted().trial
    if trial is None:
        raise ReleaseError("no rule set is on trial in this store")
    ledger.enter("trial stop", trial, at=signed.at, by=signed.by.strip(), reason=signed.why)
    return ledger.rules(trial)
