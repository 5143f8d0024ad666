"""What is watched again is what the live service and a replay say, whole or in parts."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest
from store_bench import START_MS, begin, new_watch, numerics, step

from adapters.backtest.backtest import tasks_of
from adapters.backtest.sources import Source, find_sources
from adapters.backtest.watching import Event, Task, Watched, watch_again
from adapters.recordings import RecordingError
from adapters.replay import replay_recordings, replay_store
from adapters.rule_files import LoadedRules, load_rules
from adapters.sqlite.store import SqliteStore
from service.instants import from_text

RULES = load_rules("small-animal-ventilation@0.1.0")
OTHERS = load_rules("small-animal-ventilation@1.0.0")


def _tasks(path: Path, rules: LoadedRules = RULES, part_messages: int = 10**9) -> list[Task]:
    return tasks_of(find_sources([path], part_messages).found, [rules])


def _told(events: list[Event]) -> list[tuple[int, str, str, str]]:
    return sorted((e.at_ms, e.kind, e.place, e.rule) for e in events)


def _replayed(bodies: list[dict[str, object]]) -> list[tuple[int, str, str, str]]:
    return sorted(
        (from_text(str(b["at"])), str(b["event"]), f"{b['ward']}/{b['place']}", str(b["rule"]))
        for b in bodies
    )


@pytest.mark.parametrize("rules", [RULES, OTHERS], ids=["decided then", "others"])
def test_a_store_says_what_its_replay_says_whole_and_in_parts(
    nights: Path, rules: LoadedRules
) -> None:
    path = nights / "ward" / "tidewarden.sqlite"
    [whole] = [watch_again(task) for task in _tasks(path, rules)]
    assert whole.events
    assert _told(whole.events) == _replayed(replay_store(path, rules).events)
    parts = [watch_again(task) for task in _tasks(path, rules, part_messages=1)]
    assert len(parts) == len(whole.heard) == 5
    assert _told([e for part in parts for e in part.events]) == _told(whole.events)
    assert sum(part.messages for part in parts) == whole.messages
    assert {k: v for part in parts for k, v in part.heard.items()} == whole.heard


def test_a_recording_says_what_its_replay_says(nights: Path) -> None:
    path = nights / "case-31.jsonl.gz"
    [watched] = [watch_again(task) for task in _tasks(path)]
    assert watched.events
    assert _told(watched.events) == _replayed(replay_recordings([path], RULES).events)
    assert watched.broken is None


def test_a_night_whose_end_was_lost_counts_up_to_there(nights: Path, tmp_path: Path) -> None:
    text = gzip.decompress((nights / "case-31.jsonl.gz").read_bytes()).decode()
    lines = text.splitlines(keepends=True)
    cut = tmp_path / "cut.jsonl"
    cut.write_text("".join(lines[:400]) + lines[400][:50])
    short = tmp_path / "short.jsonl"
    short.write_text("".join(lines[:400]))
    [broken] = [watch_again(task) for task in _tasks(cut)]
    [whole] = [watch_again(task) for task in _tasks(short)]
    assert broken.broken is not None
    assert "cut.jsonl:401: not JSON" in broken.broken
    assert (broken.events, broken.messages, broken.heard) == (
        whole.events,
        whole.messages,
        whole.heard,
    )
    cut.write_text("nothing at all\n")
    with pytest.raises(RecordingError, match=r"cut\.jsonl:1: not JSON"):
        watch_again(_tasks(cut)[0])


def test_a_pause_of_the_service_is_no_silence_of_the_animal(tmp_path: Path) -> None:
    # Ten minutes without a service between two stretches of readings.
    watch, store = new_watch(), begin(SqliteStore(tmp_path))
    store.commit(step(watch, [numerics(seq) for seq in range(20)]), [], None)
    later = 20 + 600
    watch.resume(START_MS + 1000 * later)
    store.begin_run(
        started_ms=START_MS + 1000 * later,
        instance="test",
        software="tidewarden test",
        engine="plain",
        rule_set=RULES.rule_set,
        rule_files=RULES.files,
        resumed=True,
    )
    store.commit(step(watch, [numerics(seq) for seq in range(later, later + 20)]), [], None)
    store.close()
    [watched] = [watch_again(task) for task in _tasks(tmp_path)]
    replayed = replay_store(tmp_path / "tidewarden.sqlite", RULES)
    assert _told(watched.events) == _replayed(replayed.events)
    assert watched.messages == 40
    assert sum(last - first + 1 for first, last in watched.heard["recovery/bay-1"]) <= 6


def test_what_is_written_meanwhile_waits_for_the_next_time(nights: Path) -> None:
    [source] = find_sources([nights / "ward"]).found
    earlier = Source(
        source.name, source.path, "store", "earlier", source.parts, 100, source.reached_ms
    )
    first = watch_again(Task(earlier, 0, RULES.rule_set.sha256, RULES.files))
    assert isinstance(first, Watched)
    assert first.messages + first.refused == 100
