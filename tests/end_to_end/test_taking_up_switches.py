"""A service killed anywhere about a switch of rules, or a trial, has the very state it had."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from pathlib import Path

import pytest
from end_to_end.store_facts import StoreFacts, canonical
from end_to_end.ward_load import arrivals, plan

from adapters.app import Parts, assemble, switch_rules, take_up
from adapters.mqtt import BrokerAddress
from adapters.replay import replay_store
from adapters.rule_files import LoadedRules, load_rules, loaded_again
from adapters.rule_switch import InForce
from adapters.sqlite.store import FILE_NAME, SqliteStore
from rules.engine import build_engine
from service.intake import Arrival
from service.watch import CYCLE_MS, Watch

START_MS = 1_764_080_000_000
PLACES = 5
PART_S = 12
DEFAULT = load_rules("small-animal-ventilation@0.1.0")


def _variant(version: str, saturation: str) -> LoadedRules:
    """The default rules in a hurry: low saturation is told after 4 s, by this limit."""
    files = dict(DEFAULT.files)
    files["rule-set.yaml"] = files["rule-set.yaml"].replace("0.1.0", version)
    files["limits.yaml"] = files["limits.yaml"].replace("value: 95\n", f"value: {saturation}\n")
    files["oxygen.yaml"] = files["oxygen.yaml"].replace("for: 20 s", "for: 4 s")
    return loaded_again(files)


RULES, LATER, LATEST = (
    _variant("0.1.0", "99.9"),
    _variant("0.2.0", "40"),
    _variant("0.3.0", "99"),
)
#: What the service goes by in each part of the time.
PLANS = {
    "switched": [InForce(RULES), InForce(LATER)],
    "there and back": [InForce(RULES), InForce(LATER), InForce(RULES)],
    "a trial begins": [InForce(RULES), InForce(RULES, LATER)],
    "a trial through a switch": [InForce(RULES, LATEST), InForce(LATER, LATEST), InForce(LATER)],
    "a trial begins anew": [InForce(RULES, LATER), InForce(RULES), InForce(RULES, LATER)],
}


def _assemble(store: Path) -> Parts:
    # Nothing listens there, and nothing is asked of it.
    return assemble(rules=RULES, address=BrokerAddress("127.0.0.1", 9, "test", None, None, None),
                    store_directory=store)  # fmt: skip


def _begin(parts: Parts, first: InForce) -> None:
    parts.switch.now = first
    switch = parts.switch.now
    parts.watch.use(switch.rules.rule_set, build_engine(switch.rules.rule_set))
    if switch.trial is not None:
        parts.watch.try_out(switch.trial.rule_set, build_engine(switch.trial.rule_set))
    parts.store.begin_run(
        started_ms=START_MS, instance="test", software="test", engine="any",
        rule_set=switch.rules.rule_set, rule_files=switch.rules.files, trial=switch.trial,
        resumed=False,
    )  # fmt: skip


def _work(parts: Parts, came: Sequence[Arrival], begins_ms: int) -> None:
    waiting = list(came)
    for end_ms in range(begins_ms + CYCLE_MS, begins_ms + PART_S * 1000 + 1, CYCLE_MS):
        due = [arrival for arrival in waiting if arrival.received_ms < end_ms]
        waiting = waiting[len(due) :]
        outcome = parts.watch.step(due, end_ms)
        if not outcome.is_empty():
            parts.store.commit(outcome, [], None)


def _set_checkpoint(path: Path, which: str, before: tuple[int, bytes]) -> None:
    """As if the service had been killed before it could write its last checkpoints."""
    database = sqlite3.connect(path)
    if which != "kept":
        database.execute("delete from checkpoints")
    if which == "of before":
        query = "insert into checkpoints (id, last_arrival, state) values (1, ?, ?)"
        database.execute(query, before)
    database.commit()
    database.close()


@pytest.mark.parametrize("checkpoint", ["kept", "of before", "lost"])
@pytest.mark.parametrize("at_once", [False, True], ids=["killed later", "killed at the switch"])
@pytest.mark.parametrize("planned", PLANS.values(), ids=PLANS)
def test_taken_up_bit_for_bit(
    planned: list[InForce], at_once: bool, checkpoint: str, tmp_path: Path
) -> None:
    sent = arrivals(plan(PLACES, PART_S * len(planned), START_MS), START_MS)
    parts = _assemble(tmp_path)
    _begin(parts, planned[0])
    before = (0, b"")
    for number, chosen in enumerate(planned):
        begins_ms = START_MS + number * PART_S * 1000
        ends_ms = begins_ms + PART_S * 1000
        if number:
            progress = parts.store.progress()
            assert progress is not None
            before = progress.last_arrival, parts.watch.checkpoint()
            parts.switch.now = chosen
            switch_rules(parts, chosen)
            if at_once and number == len(planned) - 1:
                break
        _work(parts, [a for a in sent if begins_ms <= a.received_ms < ends_ms], begins_ms)
    parts.switch.close()
    parts.store.close()
    _set_checkpoint(tmp_path / FILE_NAME, checkpoint, before)

    store, again = SqliteStore(tmp_path), Watch(RULES.rule_set, build_engine(RULES.rule_set))
    progress = store.progress()
    assert progress is not None
    take_up(again, store, progress.reached_ms)
    store.close()
    last = parts.watch
    last.state.reached_ms = progress.reached_ms  # cycles after it kept nothing and changed nothing
    assert again.checkpoint() == last.checkpoint()
    assert again.rule_set.sha256 == planned[-1].rules.rule_set.sha256
    trial = planned[-1].trial
    assert (again.candidate is None) == (trial is None)

    facts = StoreFacts(tmp_path / FILE_NAME)
    assert facts.events(), "nothing was decided: this shows nothing"
    replayed = replay_store(tmp_path / FILE_NAME)
    assert [canonical(b) for b in replayed.events] == [canonical(b) for b in facts.events()]
    facts.close()


def test_what_trials_said_is_kept_under_their_own_rules(tmp_path: Path) -> None:
    planned = PLANS["a trial through a switch"]
    sent = arrivals(plan(PLACES, PART_S * 3, START_MS), START_MS)
    parts = _assemble(tmp_path)
    _begin(parts, planned[0])
    for number, chosen in enumerate(planned):
        begins_ms = START_MS + number * PART_S * 1000
        if number:
            parts.switch.now = chosen
            switch_rules(parts, chosen)
        ends_ms = begins_ms + PART_S * 1000
        _work(parts, [a for a in sent if begins_ms <= a.received_ms < ends_ms], begins_ms)
    parts.switch.close()
    parts.store.close()
    facts = StoreFacts(tmp_path / FILE_NAME)
    tried = facts.rows(
        "select s.version, count(*) from trial_events t "
        "join rule_sets s on s.id = t.rule_set_id group by 1"
    )
    assert [version for version, _ in tried] == ["0.3.0"]
    assert tried[0][1] > 0
    published = {b["rule_set"]["version"] for b in facts.events()}
    assert published <= {"0.1.0", "0.2.0"}
    decided = facts.rows(
        "select distinct s.version from advisory_events e "
        "join rule_sets s on s.id = e.rule_set_id order by 1"
    )
    assert {version for (version,) in decided} == published
    assert facts.problems() == []
    facts.close()
