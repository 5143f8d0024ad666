"""A service that starts again has the very state it had, whatever way it ended before."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pytest
from end_to_end.store_facts import StoreFacts, canonical
from end_to_end.ward_load import arrivals, plan

from adapters.app import take_up
from adapters.replay import replay_store
from adapters.rule_files import LoadedRules, load_rules, loaded_again
from adapters.sqlite.store import FILE_NAME, SqliteStore
from rules.engine import build_engine
from service.intake import Arrival
from service.watch import CYCLE_MS, Outcome, Watch

START_MS = 1_764_080_000_000
PLACES = 7
RUN_S = 16
#: Longer than what rules call silence, so that a pause that is forgotten gives an advisory.
PAUSE_S = 30
RULES = load_rules("small-animal-ventilation@0.1.0")


def _watch() -> Watch:
    return Watch(RULES.rule_set, build_engine(RULES.rule_set))


def _begin(
    store: SqliteStore,
    watch: Watch,
    started_ms: int,
    rules: LoadedRules = RULES,
    places: tuple[str, ...] | None = None,
) -> None:
    """What a start of the service does, without the checkpoint it writes soon after."""
    progress = store.progress()
    if progress is not None:
        take_up(watch, store, progress.reached_ms)
    watch.use(rules.rule_set, build_engine(rules.rule_set), places)
    store.begin_run(
        started_ms=started_ms,
        instance="test",
        software="test",
        engine=watch.engine.name,
        rule_set=rules.rule_set,
        rule_files=rules.files,
        places=places,
        resumed=progress is not None,
    )
    if progress is not None:
        watch.resume(started_ms)


def _work(store: SqliteStore, watch: Watch, came: Iterable[Arrival], times_ms: range) -> None:
    """Cycle by cycle, keeping what there is to keep, as the service does."""
    waiting = list(came)
    for end_ms in times_ms:
        due = [arrival for arrival in waiting if arrival.received_ms < end_ms]
        waiting = waiting[len(due) :]
        outcome = watch.step(due, end_ms)
        if not outcome.is_empty():
            store.commit(outcome, [], None)


@pytest.mark.parametrize(
    "ends",
    [
        ("killed",),
        ("orderly",),
        ("killed", "killed"),
        ("orderly", "killed"),
        ("orderly", "killed at once", "killed"),
        ("orderly", "orderly", "killed"),
        ("killed at once", "killed"),
    ],
    ids=", ".join,
)
def test_the_state_is_taken_up_bit_for_bit(ends: tuple[str, ...], tmp_path: Path) -> None:
    sent = arrivals(plan(PLACES, RUN_S * len(ends), START_MS), START_MS)
    last = _watch()
    for number, end in enumerate(ends):
        store, last = SqliteStore(tmp_path), _watch()
        begins_ms = START_MS + number * (RUN_S + PAUSE_S) * 1000
        _begin(store, last, begins_ms)
        if end != "killed at once":
            # What was sent during the pause waited at the broker and comes at once.
            came = [
                Arrival(max(a.received_ms + number * PAUSE_S * 1000, begins_ms), a.topic, a.payload)
                for a in sent
                if number * RUN_S * 1000 <= a.received_ms - START_MS < (number + 1) * RUN_S * 1000
            ]
            ends_ms = begins_ms + RUN_S * 1000
            _work(store, last, came, range(begins_ms + CYCLE_MS, ends_ms + 1, CYCLE_MS))
        if end == "orderly":
            store.commit(Outcome(reached_ms=last.state.reached_ms), [], last.checkpoint())
        store.close()

    store, again = SqliteStore(tmp_path), _watch()
    progress = store.progress()
    assert progress is not None
    take_up(again, store, progress.reached_ms)
    store.close()
    last.state.reached_ms = progress.reached_ms  # cycles after it kept nothing and changed nothing
    assert again.checkpoint() == last.checkpoint()

    facts = StoreFacts(tmp_path / FILE_NAME)
    replayed = replay_store(tmp_path / FILE_NAME, RULES)
    assert [canonical(b) for b in replayed.events] == [canonical(b) for b in facts.events()]
    assert {body["rule"] for body in facts.events()}.isdisjoint({"readings-stopped"})
    facts.close()


def _other_rules() -> LoadedRules:
    """A later version that calls nothing a narrow airway, and knows no journeys."""
    files = dict(RULES.files)
    files["rule-set.yaml"] = files["rule-set.yaml"].replace("0.1.0", "0.2.0")
    files["limits.yaml"] = files["limits.yaml"].replace("- value: 1.5\n", "- value: 40\n")
    files["power.yaml"] = files["power.yaml"].replace("id: journey-battery-short", "id: other-id")
    files["power.yaml"] = files["power.yaml"].replace("journey-battery-short", "other-id")
    return loaded_again(files)


def test_each_run_is_replayed_by_its_own_rules_and_places(tmp_path: Path) -> None:
    # 55 s by one version for six of seven places; after a pause 55 s by another, for any place.
    seconds, other = 55, _other_rules()
    sent = arrivals(plan(PLACES, 2 * seconds, START_MS), START_MS)
    places = tuple(sorted({"/".join(a.topic.split("/")[2:4]) for a in sent}))
    runs = [(RULES, places[1:]), (other, None)]
    for number, (rules, accepted) in enumerate(runs):
        store, watch = SqliteStore(tmp_path), _watch()
        begins_ms = START_MS + number * (seconds + PAUSE_S) * 1000
        _begin(store, watch, begins_ms, rules, accepted)
        came = [
            Arrival(max(a.received_ms + number * PAUSE_S * 1000, begins_ms), a.topic, a.payload)
            for a in sent
            if number * seconds * 1000 <= a.received_ms - START_MS < (number + 1) * seconds * 1000
        ]
        _work(store, watch, came, range(begins_ms + 50, begins_ms + seconds * 1000 + 1, CYCLE_MS))
        store.close()

    facts = StoreFacts(tmp_path / FILE_NAME)
    versions = {body["rule_set"]["version"] for body in facts.events()}
    assert versions == {"0.1.0", "0.2.0"}, "both versions must have had something to say"
    assert facts.count("quarantine") > 100
    cleared = [b for b in facts.events() if b["reason"] and "rule is not in" in b["reason"]]
    assert {body["rule"] for body in cleared} == {"journey-battery-short"}
    own = replay_store(tmp_path / FILE_NAME)
    assert [canonical(b) for b in own.events] == [canonical(b) for b in facts.events()]
    # By one version for all, the other's decisions come out differently: the test can fail.
    one = replay_store(tmp_path / FILE_NAME, RULES)
    assert [canonical(b) for b in one.events] != [canonical(b) for b in facts.events()]
    facts.close()
