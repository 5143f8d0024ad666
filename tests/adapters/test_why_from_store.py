"""Any moment of a store can be asked why; at each event the answer is what the service decided."""

from __future__ import annotations

import json
import shutil
import sqlite3
from pathlib import Path

import pytest
from click.testing import CliRunner
from store_bench import RULES, START_MS, begin, new_watch

from adapters.cli.main import main
from adapters.simulator.scenario import builtin_scenario_text, load_scenario
from adapters.simulator.ward import SimulatedWard
from adapters.sqlite.reading import StoreError, open_for_reading, read_numbered
from adapters.sqlite.store import SqliteStore
from adapters.why import past
from rules.rationale import explain
from service.instants import from_text, to_text
from service.intake import Arrival
from service.why import why

SECONDS = 60
PLACE = "recovery/bay-2"


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of the demo's ward in which a rabbit's tube kinks at 36 s."""
    opened, watch = begin(SqliteStore(tmp_path_factory.mktemp("store"))), new_watch()
    ward = SimulatedWard(load_scenario(builtin_scenario_text()), START_MS, 4)
    sent = ward.advance(START_MS + 1000 * SECONDS)
    arrivals = [Arrival(m.at_ms + 4, m.topic, json.dumps(m.payload).encode()) for m in sent]
    for second in range(SECONDS):
        begins, ends = START_MS + 1000 * second, START_MS + 1000 * (second + 1)
        now = [a for a in arrivals if begins <= a.received_ms < ends]
        opened.commit(watch.step(now, ends), [], None)
    opened.close()
    return opened.path


def _events(store: Path) -> list[dict[str, object]]:
    database = sqlite3.connect(store)
    rows = database.execute("select body from advisory_events order by id").fetchall()
    database.close()
    return [json.loads(row[0]) for row in rows]


def test_at_each_raising_the_clauses_are_those_of_the_advisory(store: Path) -> None:
    raised = [e for e in _events(store) if e["event"] == "raised" and e["place"] == "bay-2"]
    assert {e["rule"] for e in raised} >= {"airway-narrowing"}
    for event in raised:
        found = past(store, PLACE, str(event["at"]))
        assert found.place.book.tracked[str(event["rule"])].advisory is not None
        rule = RULES.rule_set.rule(str(event["rule"]))
        now = found.moment
        told = [c.text for c in explain(rule.when, now.facts.values, now.limits, now.facts.unknown)]
        evidence = event["evidence"]
        assert isinstance(evidence, list)
        assert {e["clause"] for e in evidence} <= set(told)
        assert why(rule, now, found.tracked).state == "stands"


def test_just_before_the_raising_it_does_not_stand(store: Path) -> None:
    event = next(e for e in _events(store) if e["rule"] == "airway-narrowing")
    before = to_text(from_text(str(event["at"])) - 50)
    found = past(store, PLACE, before)
    reason = why(RULES.rule_set.rule("airway-narrowing"), found.moment, found.tracked)
    assert reason.state == "waits"
    assert reason.held_s == pytest.approx(3.95)


def test_a_healthy_moment_tells_what_is_short(store: Path) -> None:
    found = past(store, PLACE, "30s")
    reason = why(RULES.rule_set.rule("spo2-low"), found.moment, found.tracked)
    assert reason.state == "does not hold"
    (clause,) = reason.in_the_way
    assert clause.margin is not None
    assert clause.operand_name == "spo2_low"
    assert -6.0 < clause.margin < 0.0


@pytest.mark.parametrize(
    ("place", "at", "message"),
    [
        ("recovery/bay-9", None, "no place 'recovery/bay-9'; it has recovery/bay-1"),
        (PLACE, "yesterday", "expected an instant such as"),
        (PLACE, "500s", "outside what the store holds"),
    ],
)
def test_what_the_store_has_not_is_said(
    store: Path, place: str, at: str | None, message: str
) -> None:
    with pytest.raises(StoreError, match=message):
        past(store, place, at)


def test_the_beginning_is_a_moment_too(store: Path) -> None:
    assert START_MS < past(store, PLACE, "0s").at_ms <= START_MS + 50


def test_the_command_in_words_and_as_json(store: Path) -> None:
    asked = ["why", PLACE, "--store", str(store), "--at", "55s"]
    words = CliRunner().invoke(main, asked)
    assert words.exit_code == 0, words.output
    assert "airway-narrowing" in words.output
    assert "Nearest to speaking" in words.output
    body = json.loads(CliRunner().invoke(main, [*asked, "--json"]).output)
    assert len(body["rules"]) == len(RULES.rule_set.rules)
    one = CliRunner().invoke(main, [*asked, "--rule", "etco2-high", "--json"])
    (rule,) = json.loads(one.output)["rules"]
    assert rule["would_have_to_change"][0]["limit"] == "etco2_high"
    told = CliRunner().invoke(main, [*asked, "--rule", "etco2-high"]).output
    assert told.count("limit etco2_high") == 1, "the same clause twice"
    assert "when, and for it to speak this would have to change" in told
    wrong = CliRunner().invoke(main, [*asked, "--rule", "etco2-hihg"])
    assert wrong.exit_code == 2
    assert 'did you mean "etco2-high"?' in wrong.output


@pytest.mark.parametrize("at", ["59s", "52.5s", None])
def test_from_a_checkpoint_the_answer_is_the_same(
    store: Path, tmp_path: Path, at: str | None
) -> None:
    kept = _with_checkpoint(store, tmp_path, after_s=50)
    slow, soon = past(store, PLACE, at), past(kept, PLACE, at)
    assert soon.at_ms == slow.at_ms
    assert soon.moment == slow.moment
    assert soon.tracked == slow.tracked
    assert list(soon.place.book.tracked), "nothing was under way: nothing was compared"


def _with_checkpoint(store: Path, folder: Path, after_s: int) -> Path:
    """The same store, with the state that a service had after so many seconds."""
    copy = folder / store.name
    shutil.copy(store, copy)
    database = open_for_reading(store)
    arrivals = [a for _, a in read_numbered(database) if a.received_ms < START_MS + 1000 * after_s]
    database.close()
    watch = new_watch()
    watch.step(arrivals, START_MS + 1000 * after_s)
    opened = sqlite3.connect(copy)
    row = (1, len(arrivals), to_text(START_MS + 1000 * after_s), watch.checkpoint())
    opened.execute("insert into checkpoints values (?, ?, ?, ?)", row)
    opened.commit()
    opened.close()
    return copy
