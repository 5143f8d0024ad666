"""What is found in folders, and how a store is cut into parts."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from store_bench import START_MS, begin, new_watch, step

from adapters.backtest.sources import find_sources
from adapters.recordings import RecordingError
from adapters.sqlite.store import SqliteStore
from service.instants import to_text
from service.intake import Arrival


def test_recordings_and_stores_are_found_in_all_folders(nights: Path) -> None:
    found = find_sources([nights])
    assert [(one.name, one.kind) for one in found.found] == [
        ("case-17.jsonl.gz", "recording"),
        ("case-31.jsonl.gz", "recording"),
        ("ward/tidewarden.sqlite", "store"),
    ]
    assert found.unread == ()


def test_files_may_be_given_and_none_counts_twice(nights: Path) -> None:
    one = nights / "case-17.jsonl.gz"
    assert [source.name for source in find_sources([one]).found] == ["case-17.jsonl.gz"]
    both = find_sources([one, nights / "ward", nights])
    assert sorted(source.path for source in both.found) == sorted(
        [one, nights / "case-31.jsonl.gz", nights / "ward" / "tidewarden.sqlite"]
    )
    assert len({source.name for source in both.found}) == 3


def test_nothing_to_watch_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match=r"no recording .* and no store .* in it"):
        find_sources([tmp_path])
    with pytest.raises(RecordingError, match="no such file or folder"):
        find_sources([tmp_path / "away"])


def test_a_store_that_is_none_does_not_hold_up_the_rest(nights: Path, tmp_path: Path) -> None:
    shutil.copy(nights / "case-17.jsonl.gz", tmp_path)
    (tmp_path / "broken.sqlite").write_text("not a store")
    found = find_sources([tmp_path])
    assert [one.name for one in found.found] == ["case-17.jsonl.gz"]
    assert [one.name for one in found.unread] == ["broken.sqlite"]
    assert "not a store of Tidewarden" in found.unread[0].why


def test_what_is_in_it_makes_the_identity_not_where_it_lies(nights: Path, tmp_path: Path) -> None:
    copy = tmp_path / "other.jsonl.gz"
    shutil.copy(nights / "case-17.jsonl.gz", copy)
    [before] = find_sources([nights / "case-17.jsonl.gz"]).found
    [after] = find_sources([copy]).found
    assert after.identity == before.identity
    copy.write_bytes(copy.read_bytes() + b"\n")
    assert find_sources([copy]).found[0].identity != before.identity


def test_places_that_share_a_device_stay_together(tmp_path: Path) -> None:
    watch, store = new_watch(), begin(SqliteStore(tmp_path))
    # The monitor of bay 1 goes on to bay 3 in the middle.
    moves = [("bay-1", "m:1"), ("bay-2", "m:2"), ("bay-3", "m:1"), ("bay-4", "m:4")]
    sent = [_numerics(seq, place, device) for seq, (place, device) in enumerate(moves)]
    store.commit(step(watch, sent), [], None)
    store.close()
    [source] = find_sources([tmp_path], part_messages=1).found
    assert source.parts == (
        ("recovery/bay-1", "recovery/bay-3"), ("recovery/bay-2",), ("recovery/bay-4",),
    )  # fmt: skip
    [source] = find_sources([tmp_path], part_messages=3).found
    assert source.parts == (
        ("recovery/bay-1", "recovery/bay-3", "recovery/bay-2"), ("recovery/bay-4",),
    )  # fmt: skip


def _numerics(seq: int, place: str, device: str) -> Arrival:
    received_ms = START_MS + 1000 * seq
    payload = (
        f'{{"schema":1,"device":"{device}","epoch":"e","seq":{seq},"at":"{to_text(received_ms)}",'
        '"values":{"spo2":{"value":97.0,"unit":"%"}}}'
    )
    return Arrival(received_ms, f"tidewarden/1/recovery/{place}/numerics", payload.encode())
