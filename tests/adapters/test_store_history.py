"""What the store keeps of the life of advisories, and what it tells of the past."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from sqlite_utils import Database
from store_bench import RULES, START_MS, begin, numerics, rows

from adapters.cli.main import main
from adapters.sqlite.history import read_heard, read_past, read_places, read_told
from adapters.sqlite.reading import StoreError, open_for_reading
from adapters.sqlite.schema import migrations
from adapters.sqlite.store import FILE_NAME, SqliteStore
from rules.engine.plain import PlainEngine
from rules.notice import NOTICE
from service.instants import to_text
from service.intake import Arrival
from service.watch import Watch

PLACE = "recovery/bay-1"
#: Only saturation is looked at, so that what happens is what the test makes happen.
_ONLY = tuple(rule for rule in RULES.rule_set.rules if rule.id == "spo2-low")


def _send(kind: str, seq: int, after_s: float, **body: Any) -> Arrival:
    received_ms = START_MS + round(1000 * after_s)
    envelope = {"schema": 1, "device": "page", "epoch": "e", "seq": seq, "at": to_text(received_ms)}
    payload = json.dumps({**envelope, **body}).encode()
    return Arrival(received_ms, f"tidewarden/1/{PLACE}/{kind}", payload)


PATIENT = {
    "patient": "Skerry",
    "species": "cat",
    "class": "mammal",
    "mass": {"value": 600.0, "unit": "g"},
    "phase": "maintenance",
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Saturation falls, recovers and falls again while the place is paused; then it is resumed."""
    path = tmp_path_factory.mktemp("history")
    rule_set = replace(RULES.rule_set, rules=_ONLY)
    watch, store = Watch(rule_set, PlainEngine(rule_set)), begin(SqliteStore(path))
    pause = {"by": "Wren", "action": "pause", "minutes": 5, "reason": "suction"}
    resume = {"by": "Wren", "action": "resume", "reason": "done"}
    arrivals = [_send("patient", 1, 0.5, **PATIENT)]
    for second in range(1, 200):
        low = 20 <= second < 60 or second >= 100
        arrivals.append(numerics(second, 80.0 if low else 97.0))
    arrivals.append(_send("request", 2, 95.0, id="r-1", **pause))
    arrivals.append(_send("request", 3, 180.0, id="r-2", **resume))
    arrivals.append(_send("request", 4, 190.0, id="r-3", by="Wren", action="sing"))
    arrivals.append(Arrival(START_MS + 191_000, f"tidewarden/1/{PLACE}/power", b"nonsense"))
    arrivals.sort(key=lambda arrival: arrival.received_ms)
    store.commit(watch.step(arrivals, START_MS + 200_000), [], watch.checkpoint())
    store.close()
    return path


def _db(folder: Path) -> Database:
    return open_for_reading(folder / FILE_NAME)


def test_the_row_of_an_advisory_tells_how_often_it_came(folder: Path) -> None:
    found = rows(_db(folder), "select rule, state, times, intermittent, cleared_at from advisories")
    assert found == [("spo2-low", "raised", 2, 1, None)]


def test_events_tell_what_spoke(folder: Path) -> None:
    found = rows(_db(folder), "select event, speaks, body from advisory_events order by id")
    assert [row[:2] for row in found] == [
        ("raised", 1),
        ("cleared", 0),
        ("returned", 0),
        ("reminded", 1),
    ]
    assert [json.loads(body)["speaks"] for *_, body in found] == [True, False, False, True]


def test_pauses_tell_who_when_and_why(folder: Path) -> None:
    found = rows(_db(folder), "select event, at, by, reason, until_at from pause_events")
    until = to_text(START_MS + 395_050)
    assert found == [
        ("paused", to_text(START_MS + 95_050), "Wren", "suction", until),
        ("resumed", to_text(START_MS + 180_050), "Wren", "done", until),
    ]


def test_what_returned_leads_to_the_messages_of_both_times(folder: Path) -> None:
    found = rows(
        _db(folder),
        "select m.received_ms from advisory_readings r join messages m on m.id = r.message_id",
    )
    seconds = sorted((received_ms - START_MS) // 1000 for (received_ms,) in found)
    assert seconds[0] < 60
    assert seconds[-1] >= 100


def test_a_past_holds_all_events_of_what_stood_in_it(folder: Path) -> None:
    past = read_past(_db(folder), PLACE, START_MS + 170_000, START_MS + 200_000)
    assert [body["event"] for body in past.events] == ["raised", "cleared", "returned", "reminded"]
    assert past.patient is not None
    assert past.patient["patient"] == "Skerry"
    assert [(begun["by"], ended and ended["reason"]) for begun, ended in past.pauses] == [
        ("Wren", "done")
    ]
    assert sum(past.lost.refused.values()) == 1
    assert past.lost.values == {"spo2": (0, 30)}
    assert past.lost.longest_silence_s == 1.0


def test_told_is_cut_to_the_span(folder: Path) -> None:
    told = read_told(_db(folder), START_MS + 60_000, START_MS + 170_000)
    assert [(event.kind, event.rule, event.place) for event in told] == [
        ("cleared", "spo2-low", PLACE),
        ("returned", "spo2-low", PLACE),
    ]
    assert read_places(_db(folder)) == [PLACE]


@pytest.mark.parametrize("bin_ms", [1, 999, 10_000, 10**12])
@pytest.mark.parametrize(("begin_s", "end_s"), [(0, 200), (1, 2), (33, 170), (500, 600)])
def test_time_heard_is_as_a_count_of_all_messages(
    folder: Path, bin_ms: int, begin_s: int, end_s: int
) -> None:
    span = START_MS + 1000 * begin_s, START_MS + 1000 * end_s
    query = (
        "select count(*) from (select distinct place_id, received_ms / ? from messages "
        "where received_ms >= ? and received_ms < ?)"
    )
    assert read_heard(_db(folder), *span, bin_ms) == rows(_db(folder), query, bin_ms, *span)[0][0]


def test_a_place_that_is_not_there_is_told_with_those_that_are(folder: Path) -> None:
    with pytest.raises(StoreError, match=r"no place 'recovery/bay-2' .* knows: recovery/bay-1"):
        read_past(_db(folder), "recovery/bay-2", 0, START_MS)


# -- the commands -------------------------------------------------------------------------------


def _run(*arguments: str) -> str:
    result = CliRunner().invoke(main, list(arguments), catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return " ".join(result.output.split())


def test_handover_is_told_as_text_and_as_json(folder: Path) -> None:
    words = _run("handover", str(folder), "--place", PLACE)
    assert "Skerry: cat (mammal), 600 g; phase: maintenance" in words
    assert "comes and goes: twice" in words
    assert "by Wren: suction (ended: done)" in words
    assert NOTICE in words
    body = json.loads(_run("handover", str(folder / FILE_NAME), "--place", PLACE, "--json"))
    assert [item["rule"] for item in body["standing"]] == ["spo2-low"]
    assert body["notice"] == NOTICE


def test_shift_is_told_as_text_and_as_json(folder: Path) -> None:
    words = _run("shift", str(folder))
    assert "advisories spoke twice" in words
    assert "published: under 1 in steady state (EEMUA 191)" in words
    assert NOTICE in words
    body = json.loads(_run("shift", str(folder), "--json", "--from", to_text(START_MS + 170_000)))
    ward = body["wards"]["recovery"]
    assert (ward["spoke"], ward["places"]["bay-1"]["spoke"], ward["raised"]) == (1, 1, 0)


def test_a_shift_under_ten_minutes_says_so(folder: Path) -> None:
    words = _run("shift", str(folder))
    assert "Shorter than 10 min: all figures are of 3 min alone." in words
    assert "in 10 min, mean 2, all of them in 3 min: no more was watched" in words
    end = to_text(START_MS + 600_000)
    long = _run("shift", str(folder), "--from", to_text(START_MS), "--to", end)
    assert "Shorter than" not in long
    assert "in 10 min, mean 2 published" in long
    just = _run("shift", str(folder), "--from", to_text(START_MS + 1), "--to", end)
    assert "Shorter than 10 min: all figures are of 9 min alone." in just


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["handover", "nowhere", "--place", PLACE], "no store there"),
        (["handover", "STORE", "--place", "recovery/bay-9"], "no place"),
        (["handover", "STORE", "--place", PLACE, "--hours", "0"], "--hours"),
        (["shift", "STORE", "--from", "noon"], "--from"),
        (["shift", "STORE", "--from", "2030-01-01T00:00:00Z"], "the store holds"),
    ],
)
def test_what_cannot_be_told_ends_with_code_2(
    folder: Path, arguments: list[str], said: str
) -> None:
    given = [str(folder) if argument == "STORE" else argument for argument in arguments]
    result = CliRunner().invoke(main, given)
    assert result.exit_code == 2
    assert said in result.output


# -- older stores -------------------------------------------------------------------------------


def _old(folder: Path) -> Path:
    """A store before pauses were kept, with one advisory that stood on its own and one that not."""
    path = folder / FILE_NAME
    db = Database(sqlite3.connect(path))
    migrations.apply(db, stop_before="m003_the_life_of_advisories")
    db["places"].insert({"id": 1, "ward": "recovery", "place": "bay-1"})  # type: ignore[union-attr]  # tables, not views
    for name, over in (("a", None), ("b", "a")):
        db["advisories"].insert({"id": name, "place_id": 1})  # type: ignore[union-attr]  # tables, not views
        body = json.dumps({"outranked_by": over})
        for event in ("raised", "acknowledged"):
            row = {"advisory_id": name, "event": event, "body": body}
            db["advisory_events"].insert(row)  # type: ignore[union-attr]  # tables, not views
    db.close()
    return path


def test_an_old_store_is_not_guessed_at(tmp_path: Path) -> None:
    result = CliRunner().invoke(main, ["shift", str(_old(tmp_path))])
    assert result.exit_code == 2
    assert "older form" in result.output


def test_an_old_store_gets_the_new_columns(tmp_path: Path) -> None:
    path = _old(tmp_path)
    SqliteStore(tmp_path).close()
    db = open_for_reading(path)
    assert rows(db, "select id, times, intermittent from advisories") == [("a", 1, 0), ("b", 1, 0)]
    assert rows(db, "select advisory_id, event, speaks from advisory_events order by id") == [
        ("a", "raised", 1),
        ("a", "acknowledged", 0),
        ("b", "raised", 0),
        ("b", "acknowledged", 0),
    ]
    assert rows(db, "select count(*) from pause_events") == [(0,)]
