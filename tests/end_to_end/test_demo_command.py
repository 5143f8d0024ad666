"""The demo as a newcomer runs it: truth against advisories, and each advisory followed back."""

from __future__ import annotations

import json
import resource
import subprocess
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from end_to_end.service_process import run_command, tidewarden
from end_to_end.store_facts import StoreFacts, canonical

from adapters.demo import Demo
from adapters.replay import replay_store
from adapters.rule_files import DEFAULT_RULES, load_rules
from adapters.simulator.scenario import builtin_scenario_text, load_scenario
from adapters.sqlite.store import SqliteStore
from rules.loading import load_rule_set
from service.instants import from_text
from service.messages import parse

SECONDS = 112.0
SCENARIO = load_scenario(builtin_scenario_text())


@dataclass(frozen=True)
class Shown:
    """What one run of the demo left behind."""

    folder: Path
    output: str
    exit_code: int

    @property
    def store(self) -> Path:
        return self.folder / "tidewarden.sqlite"

    def truth(self) -> list[dict[str, Any]]:
        lines = (self.folder / "truth.jsonl").read_text().splitlines()
        return [json.loads(line) for line in lines]


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> Shown:
    folder = tmp_path_factory.mktemp("demo")
    done = run_command(
        "demo", "--seconds", SECONDS, "--store", folder, "--no-browser", timeout_s=SECONDS + 90
    )
    print(done.stdout)
    assert done.stderr == ""
    return Shown(folder, done.stdout, done.returncode)


@pytest.fixture(scope="module")
def store(shown: Shown) -> StoreFacts:
    return StoreFacts(shown.store)


@pytest.mark.slow
def test_it_ends_well(shown: Shown) -> None:
    assert shown.exit_code == 0, shown.output


@pytest.mark.slow
def test_each_story_raises_its_advisory_in_time_and_with_its_priority(
    shown: Shown, store: StoreFacts
) -> None:
    raised = [body for body in store.events() if body["event"] == "raised"]
    stories = [truth for truth in shown.truth() if truth["expects"]]
    assert {story["place"] for story in stories} == {f"bay-{n}" for n in range(1, 7)}
    for story in stories:
        expects = story["expects"]
        [body] = [b for b in raised if (b["place"], b["rule"]) == (story["place"], expects["rule"])]
        delay_s = (from_text(body["raised_at"]) - from_text(story["at"])) / 1000.0
        print(f"{story['place']} {expects['rule']}: {delay_s:.1f} s of {expects['within_s']} s")
        assert body["priority"] == expects["priority"]
        assert 0.0 <= delay_s <= expects["within_s"]


@pytest.mark.slow
def test_the_animal_that_stays_well_raises_nothing(store: StoreFacts) -> None:
    query = """select count(*), count(distinct m.kind) from messages m
                 join places p on p.id = m.place_id where p.place = 'bay-7'"""
    [(messages, kinds)] = store.rows(query)
    assert messages > 300
    assert kinds >= 5
    assert [body["rule"] for body in store.events() if body["place"] == "bay-7"] == []


@pytest.mark.slow
def test_each_advisory_leads_back_to_its_readings(store: StoreFacts) -> None:
    advisories = store.rows("select id, says, because from advisories")
    assert len(advisories) >= 6
    for identity, says, because in advisories:
        assert says
        assert because
        readings = store.rows(
            """select distinct e.fact, m.id, m.kind, m.payload, p.place, a.place_id, m.place_id
                 from advisory_readings e
                 join advisories a on a.id = e.advisory_id
                 join messages m on m.id = e.message_id
                 join places p on p.id = m.place_id where e.advisory_id = ?""",
            identity,
        )
        assert readings, f"advisory {says!r} rests on no reading"
        for _, _, kind, payload, _, advised, read in readings:
            assert parse(kind, payload.encode())
            assert advised == read, "a reading of another place"


@pytest.mark.slow
def test_each_advisory_leads_back_to_its_rule_version(store: StoreFacts) -> None:
    [(name, version, sha256, files)] = store.rows(
        "select name, version, sha256, files from rule_sets"
    )
    kept = load_rule_set(json.loads(files))
    assert (kept.name, kept.version, kept.sha256) == (name, version, sha256)
    for body in store.events():
        assert body["rule_set"] == {"name": name, "version": version, "sha256": sha256}
        assert kept.rule(body["rule"]).title == body["title"]


@pytest.mark.slow
def test_everything_is_kept_and_nothing_waits(store: StoreFacts) -> None:
    assert store.problems() == []
    assert store.count("outbox") == 0
    assert store.count("quarantine") == 0
    for table in ("numerics", "waveform_blocks", "breaths", "co2_breaths", "findings"):
        assert store.count(table) > 0, table
    places = store.rows("select place from places order by place")
    assert places == [(f"bay-{n}",) for n in range(1, 8)]


@pytest.mark.slow
def test_a_replay_of_its_store_is_the_same_to_the_last_bit(shown: Shown, store: StoreFacts) -> None:
    replayed = replay_store(shown.store, load_rules(DEFAULT_RULES))
    assert [canonical(b) for b in replayed.events] == [canonical(b) for b in store.events()]


@pytest.mark.slow
def test_the_replay_command_gives_the_advisories_of_its_store(
    shown: Shown, store: StoreFacts, tmp_path: Path
) -> None:
    done = run_command("replay", shown.store, "--out", tmp_path)
    assert done.returncode == 0, done.stderr
    lines = (tmp_path / "advisories.jsonl").read_text().splitlines()
    kept = [canonical(body) for body in store.events()]
    assert [canonical(json.loads(line)) for line in lines] == kept


@pytest.mark.slow
def test_the_summary_tells_every_story(shown: Shown) -> None:
    words = " ".join(shown.output.split())
    for place in SCENARIO.places:
        assert place.place in words
    assert words.count("in time") == 6
    assert "kept quiet" in words
    assert "MISSED" not in words
    assert "never replaces the device's own alarms" in words


def test_a_service_that_fails_is_not_taken_for_quiet(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError("disk full")

    monkeypatch.setattr(SqliteStore, "commit", full)
    with pytest.raises(OSError, match="disk full"):
        Demo(tmp_path, seconds=20.0).run()


def test_a_full_disk_ends_the_command_with_its_reason(tmp_path: Path) -> None:
    def small_files() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, 400_000))

    began = time.monotonic()
    done = subprocess.run(
        [tidewarden(), "demo", "--seconds", "60", "--store", str(tmp_path)],
        preexec_fn=small_files,
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
    )
    assert done.returncode != 0
    assert time.monotonic() - began < 30.0
    assert "disk" in done.stderr
    assert "in time" not in done.stdout
