"""One place at a past moment, from a store: what was received is worked through again.

From the beginning; or, for a moment after the last checkpoint of the service, from there.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from sqlite_utils import Database

from adapters.replay import begin_as, decide_as
from adapters.rule_files import LoadedRules, loaded_again
from adapters.sqlite.reading import (
    Run,
    StoreError,
    Stretch,
    open_for_reading,
    read_arrivals,
    read_checkpoint,
    read_progress,
    read_runs,
    stretches,
)
from rules.engine import build_engine
from rules.model import RuleSet
from service.advisories import Moment, Tracked
from service.instants import from_text, to_text
from service.intake import Arrival
from service.watch import CYCLE_MS, PlaceState, Watch


@dataclass(frozen=True, slots=True)
class Past:
    """A place as it was: its state, and the moment that its rules were held against."""

    at_ms: int
    rule_set: RuleSet
    place: PlaceState
    moment: Moment

    @property
    def tracked(self) -> dict[str, Tracked]:
        """What the place's book held of each rule."""
        return self.place.book.tracked


def past(store: Path, place: str, at: str | None = None, rules: LoadedRules | None = None) -> Past:
    """The place `WARD/PLACE` at `at`: an instant, `95 s` from the beginning, or the end.

    By the rules that decided then, or by `rules`. Raises StoreError for what the store has not.
    """
    database = open_for_reading(store)
    try:
        # The checkpoint first: what is read after it has come at least as far.
        checkpoint = None if rules is not None else read_checkpoint(database)
        runs, progress = read_runs(database), read_progress(database)
        begins_ms = _begins_ms(database)
        if not runs or progress is None or begins_ms is None:
            raise StoreError(f"{store}: no service has written this store")
        at_ms = instant_ms(at, begins_ms, progress.reached_ms)
        watch = None if checkpoint is None else _from_checkpoint(checkpoint, runs, place, at_ms)
        if checkpoint is not None and watch is not None:
            arrivals = list(read_arrivals(database, checkpoint[0]))
            _go_on(watch, at_ms, place, arrivals, runs, checkpoint[0])
        else:
            arrivals = list(read_arrivals(database))
            check_place(store, place, arrivals)
            watch = _watch_until(at_ms, place, arrivals, runs, rules)
    finally:
        database.close()
    if place not in watch.state.places:
        begun = to_text(_first_of(place, arrivals))
        raise StoreError(f"{place}: nothing was received before {begun}; ask for a later moment")
    state = watch.state.places[place]
    moment = watch.moment(state.bedside, at_ms)
    return Past(at_ms, watch.rule_set, state, moment)


def _begins_ms(database: Database) -> int | None:
    """When the first arrival was received, accepted or refused."""
    first = "select received_ms from {} order by id limit 1"
    rows = [database.execute(first.format(t)).fetchone() for t in ("messages", "quarantine")]
    return min((int(row[0]) for row in rows if row is not None), default=None)


def _from_checkpoint(
    checkpoint: tuple[int, bytes], runs: list[Run], place: str, at_ms: int
) -> Watch | None:
    """A watch of this place alone at the checkpoint of the service; None when it is of no use."""
    first = loaded_again(runs[-1].rule_files).rule_set
    watch = Watch(first, build_engine(first))
    try:
        watch.restore(checkpoint[1])
    except ValueError:
        return None
    if watch.state.reached_ms > at_ms or place not in watch.state.places:
        return None
    watch.end_trial()
    watch.state.places = {place: watch.state.places[place]}
    return watch


def _go_on(
    watch: Watch, at_ms: int, place: str, arrivals: list[Arrival], runs: list[Run], after: int
) -> None:
    """From the checkpoint on: `arrivals` are those after number `after`."""
    reached_ms = watch.state.reached_ms
    # A run that began at or after the checkpoint is not in it.
    later = [run for run in runs if run.reached_ms >= reached_ms and (run.resumed or run.switched)]
    for run in [run for run in runs if run not in later][-1:]:
        decide_as(watch, run)
    _work_through(watch, stretches(arrivals, later, after, at_ms), place, at_ms, None)


def _watch_until(
    at_ms: int, place: str, arrivals: list[Arrival], runs: list[Run], rules: LoadedRules | None
) -> Watch:
    first = (rules or loaded_again(runs[0].rule_files)).rule_set
    watch = Watch(first, build_engine(first))
    _work_through(watch, stretches(arrivals, runs, 0, at_ms), place, at_ms, rules)
    return watch


def _work_through(
    watch: Watch, found: Iterable[Stretch], place: str, at_ms: int, rules: LoadedRules | None
) -> None:
    """Only this place is worked through: places know nothing of each other."""
    prefix = f"tidewarden/1/{place}/"
    for stretch in found:
        if stretch.run is not None:
            if stretch.run.started_ms > at_ms:
                break
            begin_as(watch, stretch.run, rules)
        until_ms = min(stretch.until_ms, at_ms)
        own = [a for a in stretch.arrivals if a.topic.startswith(prefix)]
        watch.step([a for a in own if a.received_ms < until_ms], until_ms)


def check_place(store: Path, place: str, arrivals: list[Arrival]) -> None:
    """StoreError with those that there are when the store has not heard of the place."""
    known = sorted({"/".join(a.topic.split("/")[2:4]) for a in arrivals})
    if place not in known:
        raise StoreError(f"{store}: no place {place!r}; it has {', '.join(known[:20])}")


def _first_of(place: str, arrivals: list[Arrival]) -> int:
    prefix = f"tidewarden/1/{place}/"
    return next(a.received_ms for a in arrivals if a.topic.startswith(prefix))


def instant_ms(at: str | None, begins_ms: int, reached_ms: int, option: str = "--at") -> int:
    """A moment of a store: an instant, a time from its beginning (`95s`), or its end."""
    if at is None:
        at_ms = reached_ms
    elif at.strip().removesuffix("s").strip().replace(".", "", 1).isdigit():
        at_ms = begins_ms + round(1000 * float(at.strip().removesuffix("s")))
    else:
        try:
            at_ms = from_text(at)
        except ValueError:
            raise StoreError(
                f"{option} {at!r}: expected an instant such as {to_text(begins_ms)}, "
                "or a time from the beginning such as 95s"
            ) from None
    if not begins_ms <= at_ms <= reached_ms:
        raise StoreError(
            f"{option} {to_text(at_ms)} is outside what the store holds: "
            f"{to_text(begins_ms)} to {to_text(reached_ms)}"
        )
    # What is asked of the very beginning is answered by the first cycle that had heard anything.
    first_ms = (begins_ms // CYCLE_MS + 1) * CYCLE_MS
    return max(at_ms - at_ms % CYCLE_MS, first_ms)
