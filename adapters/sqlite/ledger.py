"""The ledger of rule sets in a store: what was released, activated, rolled back, put on trial.

Commands write it beside a running service, each time in one short transaction; rows are never
changed.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Literal

from adapters.library_releases import ReleaseError
from adapters.rule_files import LoadedRules
from adapters.rule_policy import Policy
from adapters.scenario_files import ScenarioFiles, Tried
from rules.model import RuleSet

Action = Literal["activate", "rollback", "trial start", "trial stop", "refused"]


@dataclass(frozen=True, slots=True)
class KeptRules:
    """A rule set whose whole text the store has."""

    id: int
    name: str
    version: str
    sha256: str

    @property
    def spec(self) -> str:
        """NAME@VERSION."""
        return f"{self.name}@{self.version}"


@dataclass(frozen=True, slots=True)
class Release:
    """A version that was released into this store, and what came of its scenarios (how many).

    Those are None where they were not kept yet. With `override_reason` it was released though some
    were not as expected.
    """

    rules: KeptRules
    released_at: str
    by: str
    notes: str
    backport: bool
    scenarios_sha256: str | None
    scenarios: int | None
    not_as_expected: int | None
    override_reason: str | None


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry: who did what with which rule set, when and why. `replaces` was active before.

    "refused": a service does not follow the entry `refers_id`, which from then on counts for
    nothing.
    """

    id: int
    action: Action
    rules: KeptRules
    replaces_id: int | None
    by: str
    author: str | None
    reason: str
    at: str
    override_reason: str | None
    refers_id: int | None = None


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the ledger asks for: rule set ids, and the last entry that was looked at.

    `refused` are entries that the policy objects to, with its reason; they count for nothing.
    """

    active: int | None
    trial: int | None
    last: int
    refused: tuple[tuple[Entry, str], ...] = ()


class RuleLedger:
    """Reads and writes the ledger on a connection to a store."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    # -- reading --------------------------------------------------------------------------

    def last(self) -> int:
        """Number of the last entry; 0 when there is none. Cheap enough for every second."""
        row = self._db.execute("select max(id) from rule_activations").fetchone()
        return int(row[0] or 0)

    def wanted(self, policy: Policy | None = None) -> Wanted:
        """Which rules are to be active, and which on trial."""
        active = trial = None
        entries = self.entries()
        refused = []
        in_force = self._in_force(entries)
        for entry in _counting(entries):
            objection = policy and _objection(entry, policy, in_force)
            if objection:
                refused.append((entry, objection))
            elif entry.action == "trial start":
                trial = entry.rules.id
            elif entry.action == "trial stop":
                trial = None
            else:
                active = entry.rules.id
                in_force.add(active)
        last = entries[-1].id if entries else 0
        return Wanted(active, None if trial == active else trial, last, tuple(refused))

    def entries(self) -> list[Entry]:
        """All entries, in order."""
        rows = self._db.execute(
            """
            select a.id, a.action, s.id, s.name, s.version, s.sha256, a.replaces_id, a.by,
                   a.author, a.reason, a.at, a.override_reason, a.refers_id
              from rule_activations a join rule_sets s on s.id = a.rule_set_id order by a.id
            """
        )
        return [Entry(row[0], row[1], KeptRules(*row[2:6]), *row[6:]) for row in rows]

    def releases(self) -> list[Release]:
        """All that were released into this store, in order."""
        rows = self._db.execute(
            """
            select s.id, s.name, s.version, s.sha256, r.released_at, r.by, r.notes, r.backport,
                   r.scenarios_sha256, r.scenarios, r.not_as_expected, r.override_reason
              from rule_releases r join rule_sets s on s.id = r.rule_set_id order by r.id
            """
        )
        return [
            Release(KeptRules(*row[:4]), row[4], row[5], row[6], bool(row[7]), *row[8:])
            for row in rows
        ]

    def rules(self, rule_set_id: int) -> KeptRules:
        """A rule set by its number in the store."""
        query = "select id, name, version, sha256 from rule_sets where id = ?"
        return KeptRules(*self._db.execute(query, [rule_set_id]).fetchone())

    def files(self, rule_set_id: int) -> dict[str, str]:
        """The text of a rule set, by name of file."""
        query = "select files from rule_sets where id = ?"
        files: dict[str, str] = json.loads(self._db.execute(query, [rule_set_id]).fetchone()[0])
        return files

    def scenarios(self, rule_set_id: int) -> ScenarioFiles:
        """The scenarios that were released with a rule set."""
        query = "select file, content from release_scenarios where rule_set_id = ? order by file"
        return ScenarioFiles(dict(self._db.execute(query, [rule_set_id]).fetchall()))

    def in_use(self) -> int | None:
        """The rule set that the last start or switch of a service went by."""
        row = self._db.execute("select rule_set_id from runs order by id desc limit 1").fetchone()
        return None if row is None else int(row[0])

    def taken(self) -> dict[int, str]:
        """When a service first went by each entry: the first run that knew of it.

        Not those that it refused.
        """
        counting = {entry.id for entry in _counting(self.entries())}
        rows = self._db.execute(
            """
            select a.id, (select r.started_at from runs r where r.activation_id >= a.id
                           order by r.id limit 1)
              from rule_activations a
            """
        )
        return {int(entry): at for entry, at in rows if at is not None and entry in counting}

    def before(self) -> int | None:
        """What was active before the present activation; None when there was nothing."""
        stack: list[int | None] = []
        entries = self.entries()
        # What an entry says that it replaces may have been refused: so it is counted anew.
        active = entries[0].replaces_id if entries else None
        for entry in _counting(entries):
            if entry.action == "activate":
                stack.append(active)
            elif entry.action == "rollback" and stack:
                stack.pop()
            if entry.action in ("activate", "rollback"):
                active = entry.rules.id
        return stack[-1] if stack else None

    def _in_force(self, entries: list[Entry]) -> set[int | None]:
        """What services have gone by on this store; and what there was before any entry."""
        rows = self._db.execute("select distinct rule_set_id from runs")
        return {int(row[0]) for row in rows} | {entry.replaces_id for entry in entries[:1]}

    # -- writing --------------------------------------------------------------------------

    def release(
        self, rules: LoadedRules, tried: Tried, *, at: str, by: str, notes: str, backport: bool
    ) -> int:
        """Keep the text, the scenarios and the release of a rule set; returns its number.

        ReleaseError when the version was released with other content in the meantime.
        """
        rule_set = rules.rule_set
        release = {
            "released_at": at, "by": by, "notes": notes, "backport": int(backport),
            "scenarios_sha256": tried.files.sha256, "scenarios": tried.count,
            "not_as_expected": tried.not_as_expected, "override_reason": tried.override_reason,
        }  # fmt: skip
        with writing(self._db):
            if any(
                (item.rules.name, item.rules.version) == (rule_set.name, rule_set.version)
                for item in self.releases()
            ):
                raise ReleaseError(f"{rule_set.spec} was released just now")
            rule_set_id = keep_rule_set(self._db, rule_set, rules.files)
            self._insert("rule_releases", {"rule_set_id": rule_set_id, **release})
            for name, content in tried.files.files.items():
                row = {"rule_set_id": rule_set_id, "file": name, "content": content}
                self._insert("release_scenarios", row)
        return rule_set_id

    def keep(self, rule_set: RuleSet, files: Mapping[str, str]) -> int:
        """Keep the text of a rule set; returns its number."""
        with writing(self._db):
            return keep_rule_set(self._db, rule_set, files)

    def enter(
        self, action: Action, rule_set_id: int, *, at: str, by: str, reason: str,
        author: str | None = None, override_reason: str | None = None,
    ) -> None:  # fmt: skip
        """Add an entry."""
        self._add(
            {"action": action, "rule_set_id": rule_set_id, "by": by, "author": author,
             "reason": reason, "at": at, "override_reason": override_reason}
        )  # fmt: skip

    def refuse(self, entry: Entry, *, at: str, by: str, reason: str) -> None:
        """Enter that a service does not follow `entry`."""
        self._add(
            {"action": "refused", "rule_set_id": entry.rules.id, "by": by, "reason": reason,
             "at": at, "refers_id": entry.id}
        )  # fmt: skip

    def _add(self, row: dict[str, object]) -> None:
        with writing(self._db):
            whole = {**row, "replaces_id": self.wanted().active or self.in_use()}
            self._insert("rule_activations", whole)

    def _insert(self, table: str, row: Mapping[str, object]) -> None:
        values = ", ".join("?" * len(row))
        query = f"insert into {table} ({', '.join(row)}) values ({values})"  # noqa: S608 - ours
        self._db.execute(query, list(row.values()))


def keep_rule_set(
    connection: sqlite3.Connection, rule_set: RuleSet, files: Mapping[str, str]
) -> int:
    """The number of the rule set in the store; its text is kept once for the same content."""
    query = "select id from rule_sets where sha256 = ?"
    known = connection.execute(query, [rule_set.sha256]).fetchone()
    if known is not None:
        return int(known[0])
    text = json.dumps(files, ensure_ascii=False, sort_keys=True)
    connection.execute(
        "insert into rule_sets (name, version, sha256, files) values (?, ?, ?, ?)",
        [rule_set.name, rule_set.version, rule_set.sha256, text],
    )
    return int(connection.execute(query, [rule_set.sha256]).fetchone()[0])


@contextmanager
def writing(connection: sqlite3.Connection) -> Iterator[None]:
    """One transaction that may write from its beginning; everything in it, or nothing."""
    connection.execute("begin immediate")
    try:
        yield
    except BaseException:
        connection.rollback()
        raise
    connection.commit()


def _counting(entries: list[Entry]) -> list[Entry]:
    """The entries that ask for something, without those that a service has refused."""
    refused = {entry.refers_id for entry in entries if entry.action == "refused"}
    return [e for e in entries if e.action != "refused" and e.id not in refused]


def _objection(entry: Entry, policy: Policy, in_force: set[int | None]) -> str | None:
    if entry.action == "activate":
        return policy.objection(entry.by, entry.author or "", entry.override_reason)
    if entry.action == "rollback" and entry.rules.id not in in_force:
        return f"{entry.rules.spec} was never active here: activate it as the configuration asks"
    return None
