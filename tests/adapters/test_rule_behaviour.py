"""Two rule sets over the same recordings, and the report of a trial, against plain replays."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from rule_bench import folder_of, variant

from adapters.app import Parts, assemble, switch_rules
from adapters.cli.main import main
from adapters.mqtt import BrokerAddress
from adapters.replay import replay_recordings
from adapters.rule_behaviour import behaviour, trial_report
from adapters.rule_files import LoadedRules, load_rules
from adapters.rule_switch import InForce
from adapters.simulator.scenario import builtin_scenario_text, load_scenario
from adapters.simulator.ward import SimulatedWard
from adapters.sqlite.reading import StoreError
from service.instants import to_text
from service.intake import Arrival

#: A small rule set that never changes.
RELEASED = "small-animal-ventilation@0.1.0"

START_MS = 1_795_611_600_000
SECONDS = 150
#: Of the simulated ward a rabbit's CO2 climbs past 50 mmHg when its tube has kinked.
DEFAULT, LOWER = load_rules(RELEASED), variant("0.2.0", co2_high=50)


def _arrivals(seconds: int) -> list[Arrival]:
    ward = SimulatedWard(load_scenario(builtin_scenario_text()), START_MS, 4)
    sent = sorted(ward.advance(START_MS + 1000 * seconds), key=lambda m: m.at_ms)
    return [Arrival(m.at_ms + 4, m.topic, json.dumps(m.payload).encode()) for m in sent]


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("recording") / "ward.jsonl"
    with path.open("w", encoding="utf-8") as file:
        for a in _arrivals(SECONDS):
            line = {"received_at": to_text(a.received_ms), "topic": a.topic}
            file.write(json.dumps({**line, "payload": json.loads(a.payload)}) + "\n")
    return path


def _raised(path: Path, rules: LoadedRules) -> list[tuple[str, str]]:
    events = replay_recordings([path], rules).events
    return sorted((b["place"], b["rule"]) for b in events if b["event"] == "raised")


def test_a_lower_limit_says_more_and_nothing_less(recording: Path) -> None:
    found = behaviour([recording], DEFAULT, LOWER)
    (new,) = found.different
    assert (new.verdict, new.rule) == ("new", "etco2-high")
    # Each on its own, replayed in the ordinary way, says the same.
    before = [(p.before.place.split("/")[1], p.rule) for p in found.pairings if p.before]
    after = [(p.after.place.split("/")[1], p.rule) for p in found.pairings if p.after]
    assert sorted(before) == _raised(recording, DEFAULT)
    assert sorted(after) == _raised(recording, LOWER)
    # Seven places for 150 s are 0.292 h; a stretch of 10 s counts whole.
    assert found.patient_hours == pytest.approx(7 * SECONDS / 3600, rel=0.1)
    assert found.per_hour(1) == pytest.approx(1 / found.patient_hours)


def test_a_set_against_itself_differs_in_nothing(recording: Path) -> None:
    found = behaviour([recording, recording], DEFAULT, DEFAULT)
    assert found.pairings
    assert found.different == []


def test_the_command_tells_both_differences(recording: Path, tmp_path: Path) -> None:
    folder = folder_of(LOWER, tmp_path / "site")
    arguments = ["rules", "diff", RELEASED, str(folder), "--on", str(recording)]
    shown = CliRunner().invoke(main, arguments)
    assert shown.exit_code == 0, shown.output
    assert "55 -> 50 mmHg" in shown.output
    assert "1 change; it asks for a minor step: 0.2.0" in shown.output
    as_json = CliRunner().invoke(main, [*arguments, "--json"])
    body: dict[str, Any] = json.loads(as_json.output)
    assert [c["words"] for c in body["changes"]] == ["etco2_high for every patient: 55 -> 50 mmHg"]
    assert (body["step"], body["fitting_version"]) == ("minor", "0.2.0")
    (different,) = body["behaviour"]["different"]
    assert (different["verdict"], different["place"]) == ("new", "recovery/bay-2")
    rates = {rule["rule"]: rule for rule in body["behaviour"]["rules"]}
    assert rates["etco2-high"]["before_per_patient_hour"] == 0
    hours = body["behaviour"]["patient_hours"]
    assert rates["etco2-high"]["after_per_patient_hour"] == pytest.approx(1 / hours)


def test_the_command_without_recordings_and_without_changes(tmp_path: Path) -> None:
    shown = CliRunner().invoke(main, ["rules", "diff", RELEASED, RELEASED])
    assert "The very same files." in shown.output
    folder = folder_of(DEFAULT, tmp_path / "site")
    with (folder / "oxygen.yaml").open("a") as file:
        file.write("# a comment\n")
    shown = CliRunner().invoke(main, ["rules", "diff", RELEASED, str(folder)])
    assert "No difference in meaning" in shown.output
    wrong = CliRunner().invoke(main, ["rules", "diff", RELEASED, str(tmp_path / "typo")])
    assert wrong.exit_code == 2
    assert "neither NAME@VERSION nor a folder" in wrong.output


# -- the report of a trial -----------------------------------------------------------------------


def _work(parts: Parts, came: list[Arrival], begins_s: int, ends_s: int) -> None:
    for second in range(begins_s, ends_s):
        begins_ms = START_MS + 1000 * second
        now = [a for a in came if begins_ms <= a.received_ms < begins_ms + 1000]
        parts.store.commit(parts.watch.step(now, begins_ms + 1000), [], None)


def test_the_report_counts_only_the_time_of_the_trial(tmp_path: Path) -> None:
    came = _arrivals(SECONDS)
    parts = assemble(rules=DEFAULT, address=BrokerAddress("127.0.0.1", 9), store_directory=tmp_path)
    parts.store.begin_run(
        started_ms=START_MS, instance="test", software="test", engine="any",
        rule_set=DEFAULT.rule_set, rule_files=DEFAULT.files, resumed=False,
    )  # fmt: skip
    path = parts.store.path
    _work(parts, came, 0, 60)
    with pytest.raises(StoreError, match="no service has tried rules"):
        trial_report(path)
    stood = {
        (name, advisory.rule)
        for name, place in parts.watch.state.places.items()
        for advisory in place.book.standing()
    }
    assert len(stood) > 3
    for chosen, begins_s, ends_s in (
        (InForce(DEFAULT, LOWER), 60, 140),
        (InForce(DEFAULT), 140, SECONDS),
    ):
        parts.switch.now = chosen
        switch_rules(parts, chosen)
        _work(parts, came, begins_s, ends_s)
    parts.switch.close()
    parts.store.close()

    report = trial_report(path)
    assert (report.active, report.candidate) == (
        ("small-animal-ventilation@0.1.0",), "small-animal-ventilation@0.2.0",
    )  # fmt: skip
    assert report.begins_at == to_text(START_MS + 60_000)
    assert report.ends_at == to_text(START_MS + 140_000)
    assert report.behaviour.patient_hours == pytest.approx(7 * 80 / 3600, rel=0.05)
    (new,) = [p for p in report.behaviour.different if p.verdict == "new"]
    assert new.rule == "etco2-high"
    # What stood when the trial began is no difference, though the candidate began with nothing.
    both = {(p.before.place, p.rule) for p in report.behaviour.pairings if p.before and p.after}
    assert stood <= both
    assert {p.verdict for p in report.behaviour.pairings if (p.before is not None)} == {"same"}
