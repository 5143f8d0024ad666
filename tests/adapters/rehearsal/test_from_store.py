"""A stretch of a store as a scenario: the same is said of it, and nobody is to be found in it."""

from __future__ import annotations

import gzip
import itertools
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from store_bench import RULES, START_MS, begin, new_watch, rows

from adapters.cli.main import main
from adapters.sqlite.reading import open_for_reading
from adapters.sqlite.store import FILE_NAME, SqliteStore
from service.instants import to_text
from service.intake import Arrival

#: What must not be found in what is written: who, where, when, with what, and what people wrote.
SECRETS = ("Biscuit", "monitor:1", "pump-77", "harbour", "bay-9", "Dr Nobody", "serial", "2026-11",
           "boot-4711", "ward round", "X-ray hall")  # fmt: skip
TOPIC = "tidewarden/1/harbour/bay-9"


def message(kind: str, seq: int, second: int, *, device: str = "monitor:1", **body: Any) -> Arrival:
    envelope = {
        "schema": 1, "device": device, "epoch": "boot-4711", "seq": seq, "serial": "serial 5",
        "at": to_text(START_MS + 1000 * second),
    }  # fmt: skip
    payload = json.dumps({**envelope, **body}).encode()
    return Arrival(START_MS + 1000 * second, f"{TOPIC}/{kind}", payload)


def night() -> Iterator[Arrival]:
    """Twenty minutes: saturation falls at 15 min; ten readings are lost at 13 min."""
    yield message(
        "patient", 1000, 0, patient="Biscuit", species="cat", phase="maintenance",
        mass={"value": 3100, "unit": "g", "who": "Dr Nobody"}, **{"class": "mammal"},
    )  # fmt: skip
    yield message(
        "journey", 1001, 1, **{"from": "bay-9", "to": "X-ray hall"},
        leaves_at=to_text(START_MS + 9_000_000), minutes=5,
    )  # fmt: skip
    yield message("settings", 1, 2, device="pump-77", mode="controlled")
    for second in range(3, 1200):
        if 780 <= second < 790:
            continue
        spo2 = 98.0 if second < 900 else max(70.0, 98.0 - 0.5 * (second - 900))
        values = {
            "spo2": {"value": spo2, "unit": "%", "serial": "serial 5"},
            "serial": {"value": 1, "unit": "1"},
        }
        yield message("numerics", 1000 + second, second, values=values)
        if second == 1000:
            yield message(
                "request", 5000, second, device="tablet", id="1", by="Dr Nobody", action="pause",
                minutes=2, reason="ward round",
            )  # fmt: skip


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("store")
    kept = begin(SqliteStore(folder))
    watch = new_watch()
    arrivals = list(night())
    outcome = watch.step(arrivals, arrivals[-1].received_ms + 1000)
    kept.commit(outcome, [], None)
    kept.close()
    return folder


def from_store(store: Path, out: Path, *more: str) -> Result:
    asked = ["scenario", "from-store", "harbour/bay-9", "--store", str(store), "--from", "880s",
             "--to", "1100s", "--name", "Saturation fell last night", "--out", str(out),
             "--rules", RULES.rule_set.spec, *more]  # fmt: skip
    return CliRunner().invoke(main, asked)


def written(out: Path) -> str:
    [recording] = out.glob("*.gz")
    texts = [path.read_text("utf-8") for path in out.glob("*.yaml")]
    return "".join([*texts, gzip.decompress(recording.read_bytes()).decode(), recording.name])


def test_nobody_is_to_be_found_in_it(store: Path, tmp_path: Path) -> None:
    done = from_store(store, tmp_path / "out")
    assert done.exit_code == 0, done.output
    text = written(tmp_path / "out")
    assert [secret for secret in SECRETS if secret in text] == []
    assert "never replaces" in text
    assert "{species: cat, class: mammal, mass: 3.1 kg, phase: maintenance}" in text


def test_the_same_is_said_of_it(store: Path, tmp_path: Path) -> None:
    assert from_store(store, tmp_path / "out").exit_code == 0
    database = open_for_reading(store / FILE_NAME)
    said = [rule for (rule,) in rows(database, "select rule from advisories order by rule")]
    database.close()
    assert "spo2-low" in said
    text = written(tmp_path / "out")
    for rule in set(said) - {"readings-missing"}:
        assert f"rule: {rule}," in text
    again = CliRunner().invoke(
        main, ["rehearse", "--rules", RULES.rule_set.spec, str(tmp_path / "out")]
    )
    assert again.exit_code == 0, again.output


def test_only_what_was_lost_then_is_lost_in_it(store: Path, tmp_path: Path) -> None:
    """What was told long before must not look like a thousand lost messages."""
    assert from_store(store, tmp_path / "out", "--lead", "2").exit_code == 0
    [recording] = (tmp_path / "out").glob("*.gz")
    text = gzip.decompress(recording.read_bytes()).decode()
    bodies = [json.loads(line) for line in text.splitlines()]
    monitor = [one["payload"]["seq"] for one in bodies if one["payload"]["device"] == "device-1"]
    gaps = [b - a - 1 for a, b in itertools.pairwise(monitor) if b - a != 1]
    # It begins at 760 s and ends at 1100 s; 780 to 789 s were lost.
    assert gaps == [10]
    assert monitor[0] == 0
    kinds = [one["topic"].rsplit("/", 1)[1] for one in bodies]
    assert kinds[:2] == ["patient", "journey"]
    assert set(kinds[2:]) == {"numerics"}


def test_a_rule_that_cried_wolf_becomes_a_failing_scenario(store: Path, tmp_path: Path) -> None:
    done = from_store(store, tmp_path / "out", "--never", "spo2-low")
    assert done.exit_code == 0, done.output
    again = CliRunner().invoke(
        main, ["rehearse", "--rules", RULES.rule_set.spec, str(tmp_path / "out")]
    )
    assert again.exit_code == 1
    assert "spo2-low is never raised" in again.output


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (("--never", "spo2-lo"), 'did you mean "spo2-low"?'),
        (("--to", "5s"), "--to lies before --from"),
        (("--to", "5000s"), "--to 20"),
        (("--from", "yesterday"), "--from 'yesterday': expected an instant"),
        (("--rules", "none@1"), "not in the library"),
    ],
)
def test_wrong_use_ends_with_two_and_writes_nothing(
    store: Path, tmp_path: Path, more: tuple[str, ...], words: str
) -> None:
    done = from_store(store, tmp_path / "out", *more)
    assert done.exit_code == 2
    assert words in done.output
    assert not (tmp_path / "out").exists()


def test_what_is_there_is_not_written_over(store: Path, tmp_path: Path) -> None:
    assert from_store(store, tmp_path / "out").exit_code == 0
    before = written(tmp_path / "out")
    done = from_store(store, tmp_path / "out")
    assert done.exit_code == 2
    assert "is there already" in done.output
    assert written(tmp_path / "out") == before


def test_a_place_that_is_not_there_is_named(store: Path, tmp_path: Path) -> None:
    asked = ["scenario", "from-store", "harbour/bay-8", "--store", str(store), "--from", "0s",
             "--to", "9s", "--name", "x", "--out", str(tmp_path / "out")]  # fmt: skip
    done = CliRunner().invoke(main, asked)
    assert done.exit_code == 2
    assert "it has harbour/bay-9" in done.output
