"""One place at a past moment, from a store: what was received is worked through again."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from adapters.replay import begin_as
from adapters.rule_files import LoadedRules, loaded_again
from adapters.sqlite.reading import (
    Run,
    StoreError,
    open_for_reading,
    read_arrivals,
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
        runs, progress = read_runs(database), read_progress(database)
        arrivals = list(read_arrivals(database))
    finally:
        database.close()
    if not runs or progress is None or not arrivals:
        raise StoreError(f"{store}: no service has written this store")
    check_place(store, place, arrivals)
    at_ms = instant_ms(at, arrivals[0].received_ms, progress.reached_ms)
    watch = _watch_until(at_ms, place, arrivals, runs, rules)
    if place not in watch.state.places:
        begun = to_text(_first_of(place, arrivals))
        raise StoreError(f"{place}: nothing was received before {begun}; ask for a later moment")
    state = watch.state.places[place]
    moment = watch.moment(state.bedside, at_ms)
    return Past(at_ms, watch.rule_set, state, moment)


def _watch_until(
    at_ms: int, place: str, arrivals: list[Arrival], runs: list[Run], rules: LoadedRules | None
) -> Watch:
    """Only this place is worked through: places know nothing of each other."""
    first = (rules or loaded_again(runs[0].rule_files)).rule_set
    watch = Watch(first, build_engine(first))
    prefix = f"tidewarden/1/{place}/"
    for stretch in stretches(arrivals, runs, 0, at_ms):
        if stretch.run is not None:
            if stretch.run.started_ms > at_ms:
                break
            begin_as(watch, stretch.run, rules)
        until_ms = min(stretch.until_ms, at_ms)
        own = [a for a in stretch.arrivals if a.topic.startswith(prefix)]
        watch.step([a for a in own if a.received_ms < until_ms], until_ms)
    return watch


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
