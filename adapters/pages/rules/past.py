"""What a store tells of its rules: which decide and who said so, how each fared, what was tried."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from sqlite_utils import Database

from adapters.pages.rules.shelf import Shelf
from adapters.replay import HEARD_MS
from adapters.rule_behaviour import TrialReport, trial_report
from adapters.rule_policy import Policy
from adapters.sqlite.history import first_ms, reached_ms, read_heard, read_told
from adapters.sqlite.ledger import Entry, KeptRules, Release, RuleLedger
from adapters.sqlite.reading import StoreError
from rules.reading import RuleSetError
from service.instants import to_text
from service.rates import Told
from service.rule_rates import RuleRate, rule_rates

Over = Literal["day", "store"]
_DAY_MS: Final = 24 * 3_600_000
_HEARD_PER_H: Final = 3_600_000 / HEARD_MS
_LATEST: Final = 20


@dataclass(frozen=True, slots=True)
class Versions:
    """What the ledger says. `active` is asked for, `in_use` what a service last went by.

    `activation` is the entry that made `active` so; `trial_entry` the one that began the trial.
    """

    active: KeptRules | None
    in_use: KeptRules | None
    activation: Entry | None
    trial: KeptRules | None
    trial_entry: Entry | None
    entries: tuple[Entry, ...]
    releases: tuple[Release, ...]
    taken: dict[int, str]

    @property
    def deciding(self) -> KeptRules | None:
        """What the service goes by as far as is known; None: what the configuration says."""
        return self.in_use or self.active

    def not_taken(self, otherwise: str) -> bool:
        """Whether something else is asked for than a service last went by."""
        if self.in_use is None:
            return False
        if self.active is None:
            return self.in_use.spec != otherwise
        return self.active.id != self.in_use.id


def read_versions(database: Database, policy: Policy) -> Versions:
    """What the ledger of a store says."""
    ledger = RuleLedger(database.conn)
    wanted = ledger.wanted(policy)
    entries = ledger.entries()
    in_use = ledger.in_use()
    refused = {entry.id for entry, _ in wanted.refused} | {entry.refers_id for entry in entries}
    followed = [entry for entry in entries if entry.id not in refused]
    return Versions(
        active=None if wanted.active is None else ledger.rules(wanted.active),
        in_use=None if in_use is None else ledger.rules(in_use),
        activation=_last(followed, wanted.active, "activate", "rollback"),
        trial=None if wanted.trial is None else ledger.rules(wanted.trial),
        trial_entry=_last(followed, wanted.trial, "trial start"),
        entries=tuple(reversed(entries)),
        releases=tuple(reversed(ledger.releases())),
        taken=ledger.taken(),
    )


def _last(entries: list[Entry], number: int | None, *actions: str) -> Entry | None:
    fitting = (e for e in reversed(entries) if e.rules.id == number and e.action in actions)
    return next(fitting, None)


@dataclass(frozen=True, slots=True)
class Fared:
    """How rules fared over a span, in so many hours of patients."""

    from_at: str
    to_at: str
    patient_hours: float
    rates: tuple[RuleRate, ...]

    def per_hour(self, count: int) -> float | None:
        """So many per patient hour; None of no time."""
        return count / self.patient_hours if self.patient_hours else None

    def of(self, rule: str) -> RuleRate | None:
        """One rule; None when nothing happened to it."""
        return next((rate for rate in self.rates if rate.rule == rule), None)


def read_fared(database: Database, *spans: Over) -> list[Fared]:
    """How rules fared over each of these: the last 24 h of a store, counted back from how far it
    has come, or all of it. What was told is read once.

    StoreError for a store that holds nothing yet.
    """
    to_ms = reached_ms(database) + 1
    begins_ms = first_ms(database) or to_ms - 1
    from_ms = [max(begins_ms, to_ms - _DAY_MS) if one == "day" else begins_ms for one in spans]
    told = read_told(database, min(from_ms), to_ms)
    return [_fared(database, told, one, to_ms) for one in from_ms]


def _fared(database: Database, told: list[Told], from_ms: int, to_ms: int) -> Fared:
    hours = read_heard(database, from_ms, to_ms, HEARD_MS) / _HEARD_PER_H
    rates = rule_rates([one for one in told if one.at_ms >= from_ms])
    return Fared(to_text(from_ms), to_text(to_ms - 1), hours, tuple(rates))


@dataclass(frozen=True, slots=True)
class Advised:
    """One advisory of a rule, as it is now."""

    place: str
    priority: str
    raised_at: str
    cleared_at: str | None
    acknowledged_by: str | None
    times: int
    says: str
    spec: str


def read_latest(database: Database, rule: str) -> list[Advised]:
    """The latest advisories of a rule, the newest first."""
    rows = database.execute(
        """
        select p.ward || '/' || p.place, a.priority, a.raised_at, a.cleared_at, a.acknowledged_by,
               a.times, a.says, s.name || ' ' || s.version
          from advisories a join places p on p.id = a.place_id
          join rule_sets s on s.id = a.rule_set_id
         where a.rule = ? order by a.raised_at desc limit ?
        """,
        [rule, _LATEST],
    )
    return [Advised(*row) for row in rows]


def read_trial(shelf: Shelf) -> TrialReport | None:
    """The present trial, else the last one; None when a service has tried nothing yet.

    StoreError when what was tried cannot be read.
    """
    try:
        return trial_report(shelf.store)
    except StoreError:
        return None
    except RuleSetError as error:
        raise StoreError(f"{shelf.store}: rules on trial: {error}") from None
