"""Which rules a service goes by: those the ledger of its store asks for, else the configuration's.

A running service looks once a second. Other rules are read beside the loop, so that nothing is
delayed, and are taken between two cycles.
"""

from __future__ import annotations

import logging
import sqlite3
import time
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from adapters.clock import SystemClock
from adapters.rule_files import LoadedRules, loaded_again
from adapters.rule_policy import Policy
from adapters.sqlite.ledger import RuleLedger, Wanted
from adapters.sqlite.reading import NoTablesError, open_for_reading
from adapters.sqlite.store import FILE_NAME
from rules.engine import build_engine
from rules.model import RuleSet
from service.instants import to_text

log = logging.getLogger("tidewarden")

LOOK_EVERY_S: Final = 1.0


@dataclass(frozen=True, slots=True)
class InForce:
    """The rules that decide, those on trial, and the last entry of the ledger that was followed."""

    rules: LoadedRules
    trial: LoadedRules | None = None
    entry: int | None = None


@dataclass(slots=True)
class RuleSwitch:
    """Follows the ledger. `now` is what the service goes by; `otherwise` the configuration's."""

    ledger: RuleLedger
    policy: Policy
    otherwise: LoadedRules
    now: InForce = field(init=False)
    _due_s: float = 0.0
    _reader: ThreadPoolExecutor = field(default_factory=lambda: ThreadPoolExecutor(1, "rules"))
    _reading: Future[InForce] | None = None

    def __post_init__(self) -> None:
        """What the ledger asks for at the start."""
        self.now = InForce(self.otherwise)
        self.now = self._read(*self._asked())
        ours, theirs = self.now.rules.rule_set, self.otherwise.rule_set
        if ours.sha256 != theirs.sha256:
            log.info(
                "%s is active in the store; %s of the configuration is not used",
                ours.spec,
                theirs.spec,
            )

    def look(self) -> InForce | None:
        """What to go by from now on, when that has changed; call it between two cycles."""
        if self._reading is not None:
            if not self._reading.done():
                return None
            found, self._reading = self._reading.result(), None
            changed = _hashes(found) != _hashes(self.now)
            self.now = found
            return found if changed else None
        if time.monotonic() >= self._due_s:
            self._due_s = time.monotonic() + LOOK_EVERY_S
            if self.ledger.last() != (self.now.entry or 0):
                self._reading = self._reader.submit(self._read, *self._asked())
        return None

    def close(self) -> None:
        """End the reader."""
        self._reader.shutdown(wait=False, cancel_futures=True)

    def _asked(self) -> tuple[Wanted, dict[int, dict[str, str]]]:
        """What the ledger asks for, and the texts of it; what is refused is entered there.

        So that whoever looks or rolls back later does not take it for what was active.
        """
        wanted = self.ledger.wanted(self.policy)
        at = to_text(SystemClock().now_ms())
        for entry, objection in wanted.refused:
            log.error("%s of %s is not followed: %s", entry.action, entry.rules.spec, objection)
            self.ledger.refuse(entry, at=at, by="tidewarden", reason=objection)
        numbers = [number for number in (wanted.active, wanted.trial) if number is not None]
        return wanted, {number: self.ledger.files(number) for number in numbers}

    def _read(self, wanted: Wanted, files: dict[int, dict[str, str]]) -> InForce:
        rules, trial = self.otherwise, None
        if wanted.active is not None:
            # Watching by the rules of before is better than not watching.
            rules = _loaded(files[wanted.active], "active rules") or self.now.rules
        if wanted.trial is not None:
            trial = _loaded(files[wanted.trial], "rules on trial")
        return InForce(rules, trial, wanted.last or None)


def active_rules(directory: Path, policy: Policy) -> LoadedRules | None:
    """What is active in the store of this folder, if there is a store and that can be read."""
    path = directory / FILE_NAME
    if not path.is_file():
        return None
    try:
        database = open_for_reading(path)
    except NoTablesError:
        # A first start that was killed before it had made the store; this one makes it.
        return None
    try:
        ledger = RuleLedger(database.conn)
        active = ledger.wanted(policy).active
        return None if active is None else _loaded(ledger.files(active), "active rules")
    except sqlite3.OperationalError:
        # A store of before there were ledgers: nothing can be active in it.
        return None
    finally:
        database.close()


def stop_trial(ledger: RuleLedger, candidate: RuleSet, at: str, why: str) -> None:
    """Enter that the service itself stopped the trial."""
    number = ledger.wanted().trial
    if number is not None and ledger.rules(number).sha256 == candidate.sha256:
        ledger.enter("trial stop", number, at=at, by="tidewarden", reason=why)


def _loaded(files: dict[str, str], what: str) -> LoadedRules | None:
    try:
        loaded = loaded_again(files)
        build_engine(loaded.rule_set, "plain")
        return loaded
    except Exception as error:
        # Whatever is wrong with a rule set must not end the watch.
        log.error("the %s cannot be read and are NOT in use: %s", what, error)
        return None


def _hashes(found: InForce) -> tuple[str, str | None]:
    trial = None if found.trial is None else found.trial.rule_set.sha256
    return found.rules.rule_set.sha256, trial
