"""The store of a simulated minute: all of it is there, whole, and comes out again in order."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import pytest
from store_bench import START_MS, begin, counts, new_watch, rows

from adapters.simulator.scenario import builtin_scenario_text, load_scenario
from adapters.simulator.ward import SimulatedWard
from adapters.sqlite.reading import StoreError, open_for_reading, read_arrivals
from adapters.sqlite.store import FILE_NAME, SqliteStore
from service.intake import Arrival
from service.watch import Outcome


def hospital(seconds: int = 60) -> list[Arrival]:
    """The simulated ward with some nonsense among its messages."""
    ward = SimulatedWard(load_scenario(builtin_scenario_text()), START_MS, seed=2)
    sent = ward.advance(START_MS + 1000 * seconds)
    arrivals = [Arrival(m.at_ms + 20, m.topic, json.dumps(m.payload).encode()) for m in sent]
    for at in range(100, len(arrivals), 200):
        topic = "tidewarden/1/recovery/bay-1/power"
        arrivals.insert(at, Arrival(arrivals[at].received_ms, topic, b"\xff\x00 nonsense"))
    return arrivals


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Arrival], list[Outcome]]:
    """The store of a simulated minute, kept second by second, with what it should hold."""
    folder = tmp_path_factory.mktemp("filled")
    watch, opened = new_watch(), begin(SqliteStore(folder))
    arrivals, outcomes = hospital(), []
    for second in range(61):
        begin_ms = START_MS + 1000 * second
        part = [a for a in arrivals if begin_ms <= a.received_ms < begin_ms + 1000]
        outcomes.append(watch.step(part, begin_ms + 1000))
        opened.commit(outcomes[-1], [], watch.checkpoint() if second == 30 else None)
    opened.close()
    return folder / FILE_NAME, arrivals, outcomes


Filled = tuple[Path, list[Arrival], list[Outcome]]


def test_every_arrival_comes_out_in_the_same_order(filled: Filled) -> None:
    path, arrivals, _ = filled
    assert list(read_arrivals(open_for_reading(path))) == arrivals


def test_arrivals_after_a_number_are_the_rest(filled: Filled) -> None:
    path, arrivals, _ = filled
    assert list(read_arrivals(open_for_reading(path), after=500)) == arrivals[500:]


def test_keys_and_pages_are_whole(filled: Filled) -> None:
    database = open_for_reading(filled[0])
    assert rows(database, "pragma foreign_key_check") == []
    assert rows(database, "pragma integrity_check") == [("ok",)]


def test_everything_decided_is_kept(filled: Filled) -> None:
    path, _, outcomes = filled
    held = counts(path)
    assert held["messages"] == sum(len(o.accepted) for o in outcomes)
    assert held["quarantine"] == sum(len(o.refused) for o in outcomes) > 1
    assert held["quarantined_payloads"] == 1
    assert held["breaths"] == sum(len(o.breaths) for o in outcomes) > 50
    assert held["co2_breaths"] == sum(len(o.co2_breaths) for o in outcomes) > 50
    assert held["findings"] == sum(len(o.findings) for o in outcomes)
    assert held["advisory_events"] == sum(len(o.events) for o in outcomes) > 2
    assert held["outbox"] == sum(len(o.outbox) for o in outcomes)
    assert held["places"] == 7


def test_advisory_events_hold_the_bodies_in_order(filled: Filled) -> None:
    path, _, outcomes = filled
    kept = rows(open_for_reading(path), "select body from advisory_events order by id")
    assert [json.loads(body) for (body,) in kept] == [
        body for outcome in outcomes for _, _, body in outcome.events
    ]


def test_an_advisory_leads_to_the_messages_it_rests_on(filled: Filled) -> None:
    path, _, outcomes = filled
    database = open_for_reading(path)
    for outcome in outcomes:
        for _, event, body in outcome.events:
            if event.kind != "raised":
                continue
            named = {ref for item in body["evidence"] for ref in item["readings"]}  # type: ignore[attr-defined]  # a list of mappings
            found = rows(
                database,
                "select distinct m.device || ':' || m.epoch || ':' || m.seq "
                "from advisory_readings r join messages m on m.id = r.message_id "
                "where r.advisory_id = ?",
                event.advisory.id,
            )
            assert {ref for (ref,) in found} == named


def test_every_breath_leads_to_its_message(filled: Filled) -> None:
    database = open_for_reading(filled[0])
    assert rows(database, "select count(*) from breaths where message_id is null") == [(0,)]
    assert rows(database, "select count(*) from co2_breaths where message_id is null") == [(0,)]


def test_samples_can_be_read_out_of_the_blocks(filled: Filled) -> None:
    path, arrivals, _ = filled
    database = open_for_reading(path)
    first = next(json.loads(a.payload) for a in arrivals if a.topic.endswith("bay-1/waveform"))
    found = rows(
        database,
        "select s.value from waveform_samples s join messages m on m.id = s.message_id "
        "where m.device = ? and m.seq = ? order by sample_number",
        first["device"],
        first["seq"],
    )
    assert [value for (value,) in found] == first["samples"]


def test_a_watch_taken_up_from_the_store_goes_on_as_if_never_stopped(filled: Filled) -> None:
    path, arrivals, outcomes = filled
    opened = SqliteStore(path.parent)
    checkpoint = opened.checkpoint()
    assert checkpoint is not None
    last_arrival, state = checkpoint
    watch = new_watch()
    watch.restore(state)
    again = watch.step(list(opened.arrivals(last_arrival)), START_MS + 61_000)
    opened.close()
    later = outcomes[31:]
    assert again.outbox == [m for outcome in later for m in outcome.outbox]
    assert len(again.accepted) == sum(len(outcome.accepted) for outcome in later)
    assert last_arrival + len(again.accepted) + len(again.refused) == len(arrivals)


def test_a_store_that_is_locked_is_not_called_something_else(tmp_path: Path) -> None:
    SqliteStore(tmp_path).close()
    path = tmp_path / FILE_NAME
    other = sqlite3.connect(path)
    other.execute("pragma journal_mode=delete")
    other.execute("begin exclusive")
    with pytest.raises(StoreError, match="cannot be read just now: database is locked"):
        open_for_reading(path)
    other.close()
