"""A release has its scenarios with it: rehearsed before, kept, and run again from the store."""

from __future__ import annotations

import gzip
import json
import shutil
import sqlite3
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from rule_bench import small_rules
from sqlite_utils import Database

from adapters.cli.main import main
from adapters.recordings import Line, write_recording
from adapters.rule_activation import open_ledger
from adapters.rule_files import load_rules
from adapters.scenario_files import NO_SCENARIOS, scenario_files
from adapters.sqlite.ledger import keep_rule_set
from adapters.sqlite.schema import migrations
from adapters.sqlite.store import FILE_NAME

FALLS = """\
scenarios:
  - scenario: saturation falls
    patient: {species: cat, mass: 3 kg}
    lasts: 30 s
    facts: {spo2: "97 for 10 s, 85"}
    expect:
      - {rule: spo2-low, raised: 9 s to 12 s}
"""
NIGHT = """\
scenarios:
  - scenario: last night
    patient: {species: cat, mass: 3 kg}
    recording: night.jsonl.gz
    never: spo2-low
"""
WRONG = FALLS.replace("saturation falls", "too early").replace("9 s to 12 s", "1 s to 2 s")
OURS = "ours@1.0.0"


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(one) for one in arguments])


def rehearse(*arguments: object) -> Result:
    return run("rehearse", "--jobs", 1, *arguments)


def release(folder: Path, store: Path, *more: object) -> Result:
    asked = ("--by", "author", "--notes", "new", "--jobs", 1, *more)
    return run("rules", "release", folder, *asked, *(() if "--config" in more else
               ("--store", store)))  # fmt: skip


@pytest.fixture
def house(tmp_path: Path) -> Path:
    """A rule set of one rule, with a scenario of facts and one of a recording."""
    folder = small_rules(tmp_path / "ours")
    beside = folder / "scenarios"
    beside.mkdir()
    (beside / "falls.yaml").write_text(FALLS, "utf-8")
    (beside / "night.yaml").write_text(NIGHT, "utf-8")
    (beside / "notes.txt").write_text("not a scenario", "utf-8")
    lines = [
        Line(
            1_700_000_000_000 + 1000 * second,
            "tidewarden/1/ward/bay-4/numerics",
            {
                "schema": 1, "device": "monitor", "epoch": "1", "seq": second,
                "at": f"2023-11-14T22:13:{20 + second}.000Z",
                "values": {"spo2": {"value": 97, "unit": "%"}},
            },
        )
        for second in range(20)
    ]  # fmt: skip
    write_recording(beside / "night.jsonl.gz", lines)
    return folder


@pytest.fixture
def store(tmp_path: Path) -> Path:
    (tmp_path / "store").mkdir()
    return tmp_path / "store"


# -- kept ---------------------------------------------------------------------------------------


def test_a_released_version_is_rehearsed_from_the_store_when_its_folder_is_gone(
    house: Path, store: Path
) -> None:
    beside = {path.name: path.read_bytes() for path in (house / "scenarios").iterdir()}
    done = release(house, store)
    assert done.exit_code == 0, done.output
    assert "2 scenarios, all as expected" in done.output
    shutil.rmtree(house)
    with open_ledger(store) as ledger:
        (kept,) = ledger.releases()
        assert dict(ledger.scenarios(kept.rules.id).files) == {
            name: held for name, held in beside.items() if name != "notes.txt"
        }
    again = rehearse("--rules", OURS, "--store", store)
    assert again.exit_code == 0, again.output
    assert "2 scenarios, all as expected" in again.output
    assert f"rule set '{OURS}' is not in the library" in rehearse("--rules", OURS).output


def test_two_released_versions_are_held_against_the_scenarios_of_one(
    house: Path, store: Path
) -> None:
    assert release(house, store).exit_code == 0
    shutil.rmtree(house)
    later = small_rules(house, "2.0.0", spo2_low=80)
    assert release(later, store).exit_code == 0
    shutil.rmtree(house)
    asked = ("rules", "diff", OURS, "ours@2.0.0", "--store", store, "--json", "--scenarios")
    body = json.loads(run(*asked, OURS).stdout)["behaviour"]
    (gone,) = body["different"]
    assert (gone["verdict"], gone["place"]) == ("gone", "falls/saturation falls")
    without = run(*asked, "ours@2.0.0")
    assert without.exit_code == 2
    assert "was released without scenarios: name files or folders" in without.output


def test_scenarios_of_a_folder_that_is_named_as_it_is(house: Path) -> None:
    diff = run("rules", "diff", house, house, "--scenarios", house, "--json")
    assert diff.exit_code == 0, diff.output
    assert json.loads(diff.stdout)["behaviour"]["rules"][0]["before"] == 1


def test_the_hash_of_the_rules_takes_no_notice_of_scenarios(house: Path, store: Path) -> None:
    with_them = load_rules(str(house)).rule_set.sha256
    assert release(house, store).exit_code == 0
    with open_ledger(store) as ledger:
        (kept,) = ledger.releases()
    shutil.rmtree(house / "scenarios")
    assert load_rules(str(house)).rule_set.sha256 == with_them == kept.rules.sha256
    assert kept.scenarios_sha256 not in (None, NO_SCENARIOS.sha256)


# -- rehearsed before -----------------------------------------------------------------------------


def test_what_is_not_as_expected_keeps_rules_from_being_released(house: Path, store: Path) -> None:
    (house / "scenarios" / "wrong.yaml").write_text(WRONG, "utf-8")
    done = release(house, store)
    assert done.exit_code == 2
    assert "ours@1.0.0: 1 of 3 scenarios not as expected: too early" in done.output
    with open_ledger(store) as ledger:
        assert ledger.releases() == []


def test_a_reason_lets_it_be_released_only_where_the_configuration_does(
    house: Path, store: Path
) -> None:
    (house / "scenarios" / "wrong.yaml").write_text(WRONG, "utf-8")
    refused = release(house, store, "--override", "the probe is slow")
    assert (refused.exit_code, "[rules] allow_override" in refused.output) == (2, True)
    config = store / "tidewarden.toml"
    config.write_text(f'[store]\ndirectory = "{store}"\n[rules]\nallow_override = true\n')
    hinted = release(house, store, "--config", config)
    assert (hinted.exit_code, "or give a reason with --override" in hinted.output) == (2, True)
    done = release(house, store, "--config", config, "--override", " the probe is slow ")
    assert done.exit_code == 0, done.output
    assert "3 scenarios, 1 not as expected" in done.output
    shown = run("rules", "history", "--store", store).output
    assert "3 scenarios, 1 not as expected" in shown
    assert "all the same, because: the probe is slow" in shown
    (row,) = json.loads(run("rules", "history", "--store", store, "--json").output)["history"]
    assert (row["scenarios"], row["not_as_expected"]) == (3, 1)
    assert row["scenarios_sha256"] == scenario_files(str(house)).sha256


def test_a_reason_that_was_not_needed_is_not_kept(house: Path, store: Path) -> None:
    config = store / "tidewarden.toml"
    config.write_text(f'[store]\ndirectory = "{store}"\n[rules]\nallow_override = true\n')
    done = release(house, store, "--config", config, "--override", "to be safe")
    assert done.exit_code == 0, done.output
    with open_ledger(store) as ledger:
        assert [one.override_reason for one in ledger.releases()] == [None]


def test_a_recording_that_is_not_beside_its_scenario_is_told_before(
    house: Path, store: Path
) -> None:
    (house / "scenarios" / "night.jsonl.gz").rename(house / "night.jsonl.gz")
    done = release(house, store)
    assert (done.exit_code, "not as expected: last night" in done.output) == (2, True)


# -- never changed --------------------------------------------------------------------------------


def test_the_same_is_the_same_whatever_its_line_ends_order_and_compression(
    house: Path, store: Path
) -> None:
    assert release(house, store).exit_code == 0
    beside = house / "scenarios"
    before = scenario_files(str(house)).sha256
    (beside / "falls.yaml").write_bytes(FALLS.replace("\n", "\r\n").encode())
    recorded = gzip.decompress((beside / "night.jsonl.gz").read_bytes())
    (beside / "night.jsonl.gz").write_bytes(gzip.compress(recorded, 1, mtime=5))
    assert scenario_files(str(house)).sha256 == before
    again = release(house, store)
    assert again.exit_code == 0
    assert "Nothing to do for ours@1.0.0" in again.output


@pytest.mark.parametrize("what", ["changed", "added", "taken away", "the recording"])
def test_scenarios_of_a_released_version_go_to_the_next(
    house: Path, store: Path, what: str
) -> None:
    assert release(house, store).exit_code == 0
    beside = house / "scenarios"
    if what == "changed":
        (beside / "falls.yaml").write_text(FALLS.replace("12 s", "13 s"), "utf-8")
    elif what == "added":
        (beside / "more.yaml").write_text(FALLS.replace("saturation", "it"), "utf-8")
    elif what == "taken away":
        (beside / "falls.yaml").unlink()
    else:
        write_recording(beside / "night.jsonl.gz", [])
    done = release(house, store)
    assert done.exit_code == 2
    assert "with other scenarios, and a released version" in done.output
    assert "for instance to 1.0.1" in done.output
    small_rules(house, "1.0.1")
    if what != "the recording":
        assert release(house, store).exit_code == 0


def test_what_is_no_text_is_named(house: Path, store: Path) -> None:
    (house / "scenarios" / "night.jsonl.gz").write_bytes(b"not compressed")
    assert "night.jsonl.gz: cannot be read" in release(house, store).output
    (house / "scenarios" / "falls.yaml").write_bytes("é".encode("latin-1"))
    assert "falls.yaml: not text in UTF-8" in run("rules", "check", house).output


# -- stores from before ---------------------------------------------------------------------------


def test_a_store_from_before_gets_the_new_columns_and_guesses_at_nothing(
    house: Path, store: Path
) -> None:
    rules = load_rules(str(house))
    db = Database(sqlite3.connect(store / FILE_NAME))
    migrations.apply(db, stop_before="m006_scenarios_of_releases")
    number = keep_rule_set(db.conn, rules.rule_set, rules.files)
    row = {"rule_set_id": number, "released_at": "2026-11-25T13:00:00.000Z", "by": "author",
           "notes": "n", "backport": 0}  # fmt: skip
    db["rule_releases"].insert(row)  # type: ignore[union-attr]  # a table, not a view
    db.conn.commit()
    db.close()
    with open_ledger(store) as ledger:
        (kept,) = ledger.releases()
        assert (kept.by, kept.scenarios_sha256, kept.scenarios) == ("author", None, None)
        assert ledger.scenarios(number) == NO_SCENARIOS
    again = release(house, store)
    assert again.exit_code == 0, again.output
    assert "before scenarios were kept, so its scenarios go with the next" in again.output
    asked = rehearse("--rules", OURS, "--store", store)
    assert asked.exit_code == 2
    assert "was released before scenarios were kept: name files" in asked.output
    assert rehearse("--rules", OURS, "--store", store, house / "scenarios").exit_code == 0
    small_rules(house, "1.0.1")
    assert release(house, store).exit_code == 0
