"""The store: one transaction a cycle, everything or nothing; one writer; an outbox that waits."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from store_bench import RULES, START_MS, begin, counts, new_watch, numerics, rows, step

from adapters.cli.main import main
from adapters.rule_files import DEFAULT_RULES
from adapters.rule_policy import Policy
from adapters.rule_switch import active_rules
from adapters.sqlite.reading import StoreError, open_for_reading, read_arrivals, read_progress
from adapters.sqlite.store import FILE_NAME, SqliteStore
from service.instants import to_text
from service.intake import Arrival
from service.watch import Outcome


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """A new store in which a run has begun."""
    opened = begin(SqliteStore(tmp_path))
    yield opened
    opened.close()


# -- one transaction ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "table", ["messages", "numerics", "quarantine", "findings", "outbox", "progress", "checkpoints"]
)
def test_an_error_in_the_middle_keeps_nothing(tmp_path: Path, table: str) -> None:
    opened, watch = begin(SqliteStore(tmp_path)), new_watch()
    opened.commit(step(watch, [numerics(1)]), [], None)
    before = counts(opened.path)
    other = sqlite3.connect(opened.path)
    other.execute(
        f"create trigger broken before insert on {table} "
        "begin select raise(abort, 'disk on fire'); end"
    )
    other.close()
    watch_2 = new_watch()
    watch_2.restore(watch.checkpoint())
    low = numerics(2, 60.0)
    at_a_new_place = replace(low, topic=low.topic.replace("bay-1", "bay-9"))
    outcome = step(watch_2, [at_a_new_place, numerics(3, 60.0), numerics(4, unit="s")])
    assert outcome.findings
    with pytest.raises(sqlite3.IntegrityError, match="disk on fire"):
        opened.commit(outcome, [1], b"{}")
    assert counts(opened.path) == before
    # With the fault gone the same outcome is kept, by the same store.
    other = sqlite3.connect(opened.path)
    other.execute("drop trigger broken")
    other.close()
    opened.commit(outcome, [], b"{}")
    after = counts(opened.path)
    assert after["messages"] == before["messages"] + 2
    assert after["quarantine"] == before["quarantine"] + 1
    assert rows(open_for_reading(opened.path), "pragma foreign_key_check") == []
    opened.close()


def test_what_was_committed_is_there_after_the_process_was_killed(tmp_path: Path) -> None:
    script = (
        "import os, sys; sys.path[:0] = sys.argv[2:]; from store_bench import *; "
        "opened, watch = begin(SqliteStore(Path(sys.argv[1]))), new_watch(); "
        "opened.commit(step(watch, [numerics(1), numerics(2)]), [], None); os.kill(os.getpid(), 9)"
    )
    here = Path(__file__).parent
    killed = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path), str(here), str(here.parents[1])], check=False
    )
    assert killed.returncode == -9
    reopened = SqliteStore(tmp_path)
    assert list(reopened.arrivals()) == [numerics(1), numerics(2)]
    reopened.close()


# -- outbox -------------------------------------------------------------------------------------


def test_a_row_leaves_the_outbox_only_when_it_was_sent(store: SqliteStore) -> None:
    watch = new_watch()
    first = store.commit(step(watch, [numerics(1, unit="s"), numerics(2, unit="s")]), [], None)
    kinds = sorted(posting.topic.rpartition("/")[2] for posting in first)
    assert kinds == ["rejected", "rejected", "usual"]
    assert store.unsent() == first
    sent = [posting.number for posting in first[1:]]
    second = store.commit(step(watch, [numerics(3, unit="s")]), sent, None)
    assert store.unsent() == [first[0], *second]
    store.commit(Outcome(reached_ms=START_MS + 10_000), [first[0].number], None)
    assert store.unsent() == second


def test_the_outbox_is_there_again_after_a_restart(tmp_path: Path) -> None:
    opened, watch = begin(SqliteStore(tmp_path)), new_watch()
    postings = opened.commit(step(watch, [numerics(1, unit="s")]), [], None)
    opened.close()
    reopened = SqliteStore(tmp_path)
    assert reopened.unsent() == postings
    more = reopened.commit(step(watch, [numerics(2, unit="s")]), [], None)
    assert {p.number for p in more}.isdisjoint(p.number for p in postings)
    reopened.close()


def test_sending_what_is_not_there_does_no_harm(store: SqliteStore) -> None:
    postings = store.commit(step(new_watch(), [numerics(1, unit="s")]), [99, 98], None)
    assert store.unsent() == postings


# -- one writer ---------------------------------------------------------------------------------


def test_a_second_writer_is_refused_with_what_to_do(tmp_path: Path) -> None:
    first = SqliteStore(tmp_path)
    with pytest.raises(StoreError, match="another Tidewarden service is writing this store"):
        SqliteStore(tmp_path)
    # Whoever came too late has not harmed the first.
    begin(first).commit(step(new_watch(), [numerics(1)]), [], None)
    first.close()
    SqliteStore(tmp_path).close()


def test_readers_may_read_while_it_is_written(store: SqliteStore) -> None:
    watch = new_watch()
    store.commit(step(watch, [numerics(1)]), [], None)
    reader = open_for_reading(store.path)
    assert len(list(read_arrivals(reader))) == 1
    store.commit(step(watch, [numerics(2)]), [], None)
    assert len(list(read_arrivals(reader))) == 2
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        reader.execute("delete from messages")


def test_reading_what_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no store there"):
        open_for_reading(tmp_path / FILE_NAME)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("content", [b"", b"not a database at all"])
@pytest.mark.parametrize(
    "command",
    [
        ("why", "recovery/bay-1", "--store", "FILE"),
        ("handover", "FILE", "--place", "recovery/bay-1"),
        ("shift", "FILE"),
        ("replay", "FILE", "--out", "OUT"),
        ("rules", "diff", DEFAULT_RULES, DEFAULT_RULES, "--on", "FILE"),
        ("rules", "trial", "report", "--store", "FILE"),
    ],
    ids=lambda command: " ".join(command[:2]),
)
def test_a_file_that_is_no_store_is_told(
    tmp_path: Path, command: tuple[str, ...], content: bytes
) -> None:
    file = tmp_path / "other.sqlite"
    file.write_bytes(content)
    names = {"FILE": str(file), "OUT": str(tmp_path / "out")}
    result = CliRunner().invoke(main, [names.get(word, word) for word in command])
    assert result.exit_code == 2, result.output
    assert f"{file}: not a store of Tidewarden" in result.output
    assert file.read_bytes() == content


def test_a_store_that_was_never_finished_does_not_keep_a_service_from_starting(
    tmp_path: Path,
) -> None:
    (tmp_path / FILE_NAME).write_bytes(b"")
    assert active_rules(tmp_path, Policy()) is None


# -- progress and runs --------------------------------------------------------------------------


def test_progress_is_that_of_the_last_commit(store: SqliteStore) -> None:
    assert store.progress() is None
    watch = new_watch()
    store.commit(step(watch, [numerics(1), numerics(2, unit="s")]), [], None)
    progress = read_progress(open_for_reading(store.path))
    assert progress is not None
    assert (progress.reached_ms, progress.last_arrival) == (START_MS + 2050, 2)
    store.commit(Outcome(reached_ms=START_MS + 9000), [], b"state")
    progress = store.progress()
    assert progress is not None
    assert (progress.reached_ms, progress.last_arrival) == (START_MS + 9000, 2)
    assert store.checkpoint() == (2, b"state")


def test_every_start_is_noted_with_the_rules_it_used(tmp_path: Path) -> None:
    begin(SqliteStore(tmp_path)).close()
    second = begin(SqliteStore(tmp_path), resumed=True)
    assert [run.resumed for run in second.runs()] == [False, True]
    database = open_for_reading(second.path)
    ((sha256, files),) = rows(database, "select sha256, files from rule_sets")
    assert sha256 == RULES.rule_set.sha256
    assert json.loads(files) == RULES.files
    second.close()


def test_a_message_of_an_epoch_long_forgotten_does_not_stop_the_store(store: SqliteStore) -> None:
    # The broker gives a retained message again at each connection, however old it is.
    watch = new_watch()
    patient = Arrival(
        START_MS,
        "tidewarden/1/recovery/bay-1/patient",
        json.dumps(
            {
                "schema": 1, "device": "monitor:1", "epoch": "first", "seq": 1,
                "at": to_text(START_MS), "patient": "Skerry", "species": "cat",
                "class": "mammal", "phase": "maintenance",
            }
        ).encode(),
    )  # fmt: skip
    arrivals = [patient, *(numerics(n, epoch=f"e{n}") for n in range(1, 20))]
    again = Arrival(START_MS + 30_000, patient.topic, patient.payload)
    store.commit(step(watch, [*arrivals, again]), [], None)
    assert list(store.arrivals()) == [*arrivals, again]


def test_names_with_colons_lead_to_the_right_message(store: SqliteStore) -> None:
    watch = new_watch()
    for epoch in ("a", "a:1", "1:a"):
        store.commit(step(watch, [numerics(n, 60.0, epoch=epoch) for n in range(1, 5)]), [], None)
    database = open_for_reading(store.path)
    assert rows(database, "pragma foreign_key_check") == []
    assert rows(database, "select distinct device from messages") == [("monitor:1",)]
