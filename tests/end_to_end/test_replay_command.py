"""`tidewarden replay` as its users run it: files, columns, errors."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from end_to_end.service_process import run_command

from adapters.recordings import Line, write_recording
from adapters.rule_files import DEFAULT_RULES, load_rules
from adapters.simulator.scenario import builtin_scenario_text, load_scenario
from adapters.simulator.ward import SimulatedWard
from service.instants import from_text

START_MS = from_text("2026-11-25T13:00:00Z")
SECONDS = 60
BREATHS = ["place", "start_s", "ti_s", "te_s", "pip_cmh2o", "baseline_cmh2o", "mean_cmh2o",
           "tidal_volume_ml", "kind"]  # fmt: skip
CAPNOGRAM = ["place", "start_s", "etco2_mmhg", "fico2_mmhg"]


def _lines() -> list[Line]:
    ward = SimulatedWard(load_scenario(builtin_scenario_text()), START_MS, 4)
    sent = ward.advance(START_MS + 1000 * SECONDS)
    return [Line(message.at_ms + 4, message.topic, message.payload) for message in sent]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("recordings")
    lines = _lines()
    write_recording(folder / "all.jsonl.gz", lines)
    write_recording(
        folder / "odd.jsonl", [li for li in lines if li.topic.split("/")[3][-1] in "1357"]
    )
    write_recording(
        folder / "even.jsonl", [li for li in lines if li.topic.split("/")[3][-1] in "246"]
    )
    return folder


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def test_files_with_the_agreed_columns(folder: Path, tmp_path: Path) -> None:
    done = run_command("replay", folder / "all.jsonl.gz", "--out", tmp_path / "out")
    assert done.returncode == 0, done.stderr
    assert {path.name for path in (tmp_path / "out").iterdir()} == {
        "breaths.csv",
        "breath_details.csv",
        "capnogram.csv",
        "capnogram_details.csv",
        "efforts.csv",
        "advisories.jsonl",
        "summary.json",
    }
    breaths, co2 = _rows(tmp_path / "out/breaths.csv"), _rows(tmp_path / "out/capnogram.csv")
    assert list(breaths[0]) == BREATHS
    assert list(co2[0]) == CAPNOGRAM
    details = _rows(tmp_path / "out/breath_details.csv")
    assert [row["start_s"] for row in details] == [row["start_s"] for row in breaths]
    for row, more in zip(breaths, details, strict=True):
        if row["tidal_volume_ml"]:
            low, high = float(more["tidal_volume_low_ml"]), float(more["tidal_volume_high_ml"])
            assert low < float(row["tidal_volume_ml"]) < high
        assert more["because"]
    # Counted from the recording's first `at`, which is the start of the simulated ward.
    assert all(0.0 <= float(row["start_s"]) <= SECONDS for row in (*breaths, *co2))
    assert min(float(row["start_s"]) for row in breaths) < 6.0
    summary = json.loads((tmp_path / "out/summary.json").read_text())
    assert summary["messages"]["accepted"] == len(_lines())
    assert "never replaces" in summary["notice"]
    events = (tmp_path / "out/advisories.jsonl").read_text().splitlines()
    assert len(events) >= len(summary["advisories"]) > 0


@pytest.mark.parametrize("from_s", [0, 11])
def test_breaths_are_counted_from_the_first_at(from_s: int, tmp_path: Path) -> None:
    ward = SimulatedWard(load_scenario(builtin_scenario_text()), START_MS, 4)
    sent = ward.advance(START_MS + 1000 * SECONDS)
    kept = [message for message in sent if message.at_ms >= START_MS + 1000 * from_s]
    write_recording(tmp_path / "cut.jsonl", [Line(m.at_ms + 4, m.topic, m.payload) for m in kept])
    done = run_command("replay", tmp_path / "cut.jsonl", "--out", tmp_path / "out")
    assert done.returncode == 0, done.stderr
    begins_ms = from_text(kept[0].payload["at"])
    rows = [r for r in _rows(tmp_path / "out/breaths.csv") if r["place"] == "recovery/bay-7"]
    assert len(rows) > 10
    true_s = [(breath.start_ms - begins_ms) / 1000.0 for breath in ward.breaths("bay-7")]
    for row in rows:
        # What the simulated ventilator did is the measure; sampled at 100 Hz, with noise.
        assert min(abs(float(row["start_s"]) - start_s) for start_s in true_s) < 0.06


def test_two_recordings_are_merged_by_time_of_receipt(folder: Path, tmp_path: Path) -> None:
    whole = run_command("replay", folder / "all.jsonl.gz", "--out", tmp_path / "whole")
    parts = run_command(
        "replay", folder / "odd.jsonl", folder / "even.jsonl", "--out", tmp_path / "parts"
    )
    assert whole.returncode == parts.returncode == 0
    for name in ("breaths.csv", "capnogram.csv"):
        one, other = _rows(tmp_path / "whole" / name), _rows(tmp_path / "parts" / name)
        assert sorted(map(str, one)) == sorted(map(str, other))
    texts = [(tmp_path / side / "advisories.jsonl").read_text() for side in ("whole", "parts")]
    assert sorted(texts[0].splitlines()) == sorted(texts[1].splitlines())


def test_json_is_what_a_program_reads(folder: Path, tmp_path: Path) -> None:
    done = run_command("replay", folder / "odd.jsonl", "--out", tmp_path, "--json")
    assert json.loads(done.stdout) == json.loads((tmp_path / "summary.json").read_text())


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    done = run_command("replay", tmp_path / "none.jsonl", "--out", tmp_path)
    assert done.returncode == 2
    assert "none.jsonl: no such file" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_broken_line_is_named_with_its_number(folder: Path, tmp_path: Path) -> None:
    lines = (folder / "odd.jsonl").read_text().splitlines()
    lines[6] = lines[6][:40]
    broken = tmp_path / "broken.jsonl"
    broken.write_text("\n".join(lines))
    done = run_command("replay", broken, "--out", tmp_path / "out")
    assert done.returncode == 2
    assert "broken.jsonl:7: not JSON" in done.stderr
    assert "Traceback" not in done.stderr


def test_unknown_rules_are_answered_with_those_there_are(folder: Path, tmp_path: Path) -> None:
    done = run_command("replay", folder / "odd.jsonl", "--out", tmp_path, "--rules", "none@1.0.0")
    assert done.returncode == 2
    assert "small-animal-ventilation@0.1.0" in done.stderr


def test_a_store_is_replayed_alone(folder: Path, tmp_path: Path) -> None:
    done = run_command(
        "replay", tmp_path / "a.sqlite", folder / "odd.jsonl", "--out", tmp_path / "out"
    )
    assert done.returncode == 2
    assert "a store is replayed alone" in done.stderr


def test_rules_check_names_file_line_and_column(tmp_path: Path) -> None:

    files = load_rules(DEFAULT_RULES).files
    files["oxygen.yaml"] = files["oxygen.yaml"].replace("fact: spo2,", "fact: spO2,", 1)
    for name, text in files.items():
        (tmp_path / name).write_text(text)
    done = run_command("rules", "check", tmp_path)
    assert done.returncode == 2
    assert "oxygen.yaml:7:18:" in done.stderr
    assert 'did you mean "spo2"?' in done.stderr


def test_check_names_the_engine() -> None:
    done = run_command("check")
    assert done.returncode == 0, done.stderr
    assert "rule engine" in done.stdout
    assert "durable-rules" in done.stdout or "plain" in done.stdout
