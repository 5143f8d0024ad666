"""Who lay at a place, from a store, and by which rules was decided."""

from __future__ import annotations

from collections.abc import Sequence

from sqlite_utils import Database

from adapters.rule_files import loaded_again
from adapters.sqlite.history import place_id, reached_ms, read_places
from adapters.sqlite.reading import Run, read_runs
from adapters.sqlite.schema import SELDOM
from rules.model import RuleSet
from service.cases.stays import Lying, Stay, lying_of, stays
from service.instants import to_text
from service.messages import Patient, parse


class NoCaseError(LookupError):
    """Nobody was entered at that place then; the text says so."""


def all_stays(db: Database) -> list[Stay]:
    """All stays of all places, the newest first."""
    end_ms = reached_ms(db)
    found = [one for place in read_places(db) for one in stays_of(db, place, end_ms)]
    return sorted(found, key=lambda stay: (-stay.from_ms, stay.place))


def stays_of(db: Database, place: str, end_ms: int) -> list[Stay]:
    """The stays at a place until `end_ms`, in order."""
    return stays(place, read_lying(db, place_id(db, place), end_ms))


def stay_at(db: Database, place: str, at_ms: int | None) -> Stay:
    """The stay at `WARD/PLACE` at a moment, or the last one.

    Raises NoCaseError where nobody lay there, StoreError for a place that is not known.
    """
    there = stays_of(db, place, reached_ms(db))
    if at_ms is not None:
        there = [one for one in there if one.from_ms <= at_ms < max(one.to_ms, one.from_ms + 1)]
    if not there:
        when = "ever" if at_ms is None else f"at {to_text(at_ms)}"
        raise NoCaseError(f"nobody was entered at {place} {when}; see the list of cases")
    return there[-1]


def read_lying(db: Database, place_id: int, to_ms: int) -> list[Lying]:
    """Who has lain at a place until `to_ms`, in order; said twice is once."""
    rows = db.execute(
        f"""
        select received_ms, payload from messages
         where place_id = ? and received_ms <= ? and {SELDOM} and kind = 'patient'
         order by received_ms, id
        """,  # noqa: S608 - our words
        [place_id, to_ms],
    )
    told = ((received_ms, parse("patient", payload.encode())) for received_ms, payload in rows)
    return lying_of(((ms, one) for ms, one in told if isinstance(one, Patient)), to_ms)


def rules_then(db: Database, at_ms: int) -> RuleSet | None:
    """The rules that decided at a moment; None where no service has run."""
    return _rules_at(read_runs(db), at_ms)


def rules_during(db: Database, from_ms: int, to_ms: int) -> list[tuple[int, RuleSet]]:
    """The rules that decided in a span, each with since when (ms since 1970), in order."""
    runs = read_runs(db)
    first = _rules_at(runs, from_ms)
    found = [] if first is None else [(from_ms, first)]
    for run in runs:
        if not (found and from_ms < run.started_ms <= to_ms):
            continue
        rules = _rules_of(run)
        if rules.sha256 != found[-1][1].sha256:
            found.append((run.started_ms, rules))
    return found


def _rules_at(runs: Sequence[Run], at_ms: int) -> RuleSet | None:
    begun = [run for run in runs if run.started_ms <= at_ms] or runs[:1]
    return _rules_of(begun[-1]) if begun else None


def _rules_of(run: Run) -> RuleSet:
    return loaded_again(run.rule_files).rule_set
