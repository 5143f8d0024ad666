"""What two rule sets make of the same readings: over recordings, or over what a trial has kept."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import reduce
from pathlib import Path
from typing import Any

from sqlite_utils import Database

from adapters.bar import Bar
from adapters.recorded_files import recorded_files
from adapters.recordings import RecordingError
from adapters.replay import HEARD_MS, replay_recordings, replay_store
from adapters.rule_files import LoadedRules, loaded_again
from adapters.sqlite.history import read_heard
from adapters.sqlite.ledger import RuleLedger
from adapters.sqlite.reading import StoreError, open_for_reading
from rules.model import RuleSet
from service.episodes import Pairing, RuleTally, episodes, paired, tallies, within
from service.instants import to_text

_PER_HOUR = 3_600_000 / HEARD_MS


@dataclass(frozen=True, slots=True)
class Behaviour:
    """Episodes side by side, over so many hours of patients."""

    pairings: tuple[Pairing, ...]
    patient_hours: float

    @property
    def by_rule(self) -> list[RuleTally]:
        """Rule by rule."""
        return tallies(self.pairings)

    @property
    def different(self) -> list[Pairing]:
        """What is not the same, in order of time."""
        return [pairing for pairing in self.pairings if pairing.verdict != "same"]

    def with_more(self, other: Behaviour) -> Behaviour:
        """Both together."""
        hours = self.patient_hours + other.patient_hours
        return Behaviour(self.pairings + other.pairings, hours)

    def per_hour(self, count: int) -> float | None:
        """So many per hour of a patient; None without any time."""
        return count / self.patient_hours if self.patient_hours else None


def behaviour(paths: Sequence[Path], before: LoadedRules, after: LoadedRules) -> Behaviour:
    """Recordings and stores, each by itself, through both rule sets at once."""
    pairings: list[Pairing] = []
    heard = 0
    for path in paths:
        if path.suffix == ".sqlite":
            result = replay_store(path, before, trial=after)
        else:
            result = replay_recordings([path], before, trial=after)
        said, tried = episodes(result.events), episodes(result.trial_events)
        pairings += paired(said, tried, replaced([before.rule_set], after.rule_set))
        heard += len(result.heard)
    return Behaviour(tuple(pairings), heard / _PER_HOUR)


def behaviour_body(found: Behaviour) -> dict[str, Any]:
    """What came of it, as JSON."""
    return {
        "patient_hours": found.patient_hours,
        "rules": [
            {
                "rule": tally.rule,
                "before": tally.before,
                "before_per_patient_hour": found.per_hour(tally.before),
                "after": tally.after,
                "after_per_patient_hour": found.per_hour(tally.after),
                **tally.counts,
                "moved_by_s": tally.shift_s,
            }
            for tally in found.by_rule
        ],
        "different": [_different(pairing) for pairing in found.different],
    }


def _different(pairing: Pairing) -> dict[str, Any]:
    one = pairing.before or pairing.after
    return {
        "verdict": pairing.verdict,
        "rule": pairing.rule,
        "after_rule": None if pairing.after is None else pairing.after.rule,
        "place": None if one is None else one.place,
        "priority": None if one is None else one.priority,
        "before_raised_at": None if pairing.before is None else to_text(pairing.before.raised_ms),
        "after_raised_at": None if pairing.after is None else to_text(pairing.after.raised_ms),
        "moved_by_s": pairing.shift_ms / 1000.0,
        "says": None if one is None else one.says,
    }


@dataclass(frozen=True, slots=True)
class Compared:
    """What two rule sets make of several sources, by the name of each.

    `left_out` says what was not used, and why.
    """

    each: Mapping[str, Behaviour]
    left_out: tuple[str, ...] = ()

    @property
    def whole(self) -> Behaviour:
        """All of them together."""
        nothing = Behaviour((), 0.0)
        return reduce(Behaviour.with_more, self.each.values(), nothing)

    def with_more(self, other: Compared) -> Compared:
        """Both together; what stands in both counts once."""
        return Compared({**self.each, **other.each}, self.left_out + other.left_out)


def compared(
    paths: Sequence[Path],
    before: LoadedRules,
    after: LoadedRules,
    bar: Bar,
) -> Compared:
    """Recordings and stores in `paths`, files or folders, each by itself through both rule sets.

    In a folder one that cannot be read is left out: among many it must not hold up the others.
    RecordingError or StoreError when one that was named cannot be read, or none can.
    """
    files, left_out = recorded_files(paths)
    each: dict[str, Behaviour] = {}
    with bar(len(files)) as done:
        for file in files:
            try:
                each[str(file.path)] = behaviour([file.path], before, after)
            except (RecordingError, StoreError) as error:
                if not file.found:
                    raise
                left_out.append(str(error))
            done()
    if not each:
        raise RecordingError("; ".join(left_out))
    return Compared(each, tuple(left_out))


@dataclass(frozen=True, slots=True)
class TrialReport:
    """A trial so far: which rules against which, since when, and what came of it."""

    candidate: str
    active: tuple[str, ...]
    begins_at: str
    ends_at: str
    behaviour: Behaviour


def trial_report(store: Path) -> TrialReport:
    """The present trial of a store, else its last one. StoreError when there was none."""
    database = open_for_reading(store)
    try:
        return _report(database, store)
    finally:
        database.close()


def _report(database: Database, store: Path) -> TrialReport:
    span = _last_trial(database) if "trial_events" in database.table_names() else None
    if span is None:
        raise StoreError(f"{store}: no service has tried rules on this store yet")
    begins_ms, ends_ms = span.begins_ms, span.ends_ms
    kept = "select body from trial_events where rule_set_id = ? and at >= ? order by id"
    ledger = RuleLedger(database.conn)
    tried = episodes(_bodies(database, kept, span.candidate, to_text(begins_ms)))
    decided = """
        select e.body from advisory_events e join advisories a on a.id = e.advisory_id
         where a.cleared_at is null or a.cleared_at > ? order by e.id
    """
    active = episodes(_bodies(database, decided, to_text(begins_ms)))
    only_one = replaced(
        [_kept(ledger, number) for number in span.active], _kept(ledger, span.candidate)
    )
    pairings = paired(
        within(active, begins_ms, ends_ms), within(tried, begins_ms, ends_ms), only_one
    )
    heard = read_heard(database, begins_ms, ends_ms, HEARD_MS)
    return TrialReport(
        candidate=ledger.rules(span.candidate).spec,
        active=tuple(ledger.rules(number).spec for number in span.active),
        begins_at=to_text(begins_ms),
        ends_at=to_text(ends_ms),
        behaviour=Behaviour(
            tuple(_stood_before(pairing, begins_ms) for pairing in pairings), heard / _PER_HOUR
        ),
    )


def replaced(before: Iterable[RuleSet], after: RuleSet) -> frozenset[str]:
    """Rules that only one side has."""
    known = {rule.id for rule_set in before for rule in rule_set.rules}
    return frozenset(known ^ {rule.id for rule in after.rules})


def _kept(ledger: RuleLedger, rule_set_id: int) -> RuleSet:
    return loaded_again(ledger.files(rule_set_id)).rule_set


@dataclass(frozen=True, slots=True)
class _Span:
    """The last trial: which rules, beside which, from when to when."""

    candidate: int
    active: tuple[int, ...]
    begins_ms: int
    ends_ms: int


def _last_trial(database: Database) -> _Span | None:
    """From the first of the last runs in a row that tried the same rules to the next one."""
    rows = database.execute(
        "select trial_rule_set_id, rule_set_id, started_ms, reached_ms from runs order by id"
    ).fetchall()
    reached = database.execute("select max(reached_ms) from progress").fetchone()[0] or 0
    last = max((at for at, row in enumerate(rows) if row[0] is not None), default=None)
    if last is None:
        return None
    first = last
    while first > 0 and rows[first - 1][0] == rows[last][0]:
        first -= 1
    ends_ms = rows[last + 1][3] if last + 1 < len(rows) else reached
    active = dict.fromkeys(row[1] for row in rows[first : last + 1])
    return _Span(rows[last][0], tuple(active), rows[first][2], max(ends_ms, rows[first][2]))


def _stood_before(pairing: Pairing, begins_ms: int) -> Pairing:
    """What stood before the trial began was not told earlier: the candidate began with nothing."""
    before, after = pairing.before, pairing.after
    if before is None or after is None or before.raised_ms >= begins_ms:
        return pairing
    return Pairing(replace(before, raised_ms=after.raised_ms), after)


def _bodies(database: Database, query: str, *values: object) -> Iterator[dict[str, Any]]:
    return (json.loads(body) for (body,) in database.execute(query, list(values)))
