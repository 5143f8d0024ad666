"""Two rule sets over the same recordings, and the report of a trial, against plain replays."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from rule_bench import folder_of, small_rules, variant
from store_bench import begin

from adapters.app import Parts, assemble, switch_rules
from adapters.cli.main import main
from adapters.mqtt import BrokerAddress
from adapters.recordings import Line, write_recording
from adapters.replay import replay_recordings
from adapters.rule_behaviour import behaviour, trial_report
from adapters.rule_files import LoadedRules, load_rules
from adapters.rule_switch import InForce
from adapters.simulator.scenario import builtin_scenario_text, load_scenario
from adapters.simulator.ward import SimulatedWard
from adapters.sqlite.reading import StoreError
from adapters.sqlite.store import SqliteStore
from rules.notice import NOTICE
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


def test_where_nothing_was_received_silence_is_not_taken_for_well(tmp_path: Path) -> None:
    empty = tmp_path / "empty.jsonl"
    empty.write_text("")
    compared = CliRunner().invoke(main, ["rules", "diff", RELEASED, RELEASED, "--on", str(empty)])
    replayed = CliRunner().invoke(main, ["replay", str(empty), "--out", str(tmp_path / "out")])
    for result in (compared, replayed):
        assert result.exit_code == 0, result.output
        assert "There was nothing to judge." in result.output


def test_the_command_without_recordings_and_without_changes(tmp_path: Path) -> None:
    shown = CliRunner().invoke(main, ["rules", "diff", RELEASED, RELEASED])
    assert "The very same files." in shown.output
    assert NOTICE in " ".join(shown.output.split())
    folder = folder_of(DEFAULT, tmp_path / "site")
    with (folder / "oxygen.yaml").open("a") as file:
        file.write("# a comment\n")
    shown = CliRunner().invoke(main, ["rules", "diff", RELEASED, str(folder)])
    assert "No difference in meaning" in shown.output
    wrong = CliRunner().invoke(main, ["rules", "diff", RELEASED, str(tmp_path / "typo")])
    assert wrong.exit_code == 2
    assert "neither NAME@VERSION nor a folder" in wrong.output


# -- folders of recordings and stores -------------------------------------------------------------


def _night(path: Path, spo2: float) -> Path:
    """A minute of one animal, saturated so far (%) from half a minute on."""
    path.parent.mkdir(parents=True, exist_ok=True)
    lines = [
        Line(
            START_MS + 1000 * second,
            "tidewarden/1/recovery/bay-1/numerics",
            {
                "schema": 1, "device": "monitor:1", "epoch": "e", "seq": second,
                "at": to_text(START_MS + 1000 * second),
                "values": {"spo2": {"value": 97.0 if second < 30 else spo2, "unit": "%"}},
            },
        )
        for second in range(60)
    ]  # fmt: skip
    write_recording(path, lines)
    return path


@pytest.fixture
def nights(tmp_path: Path) -> Path:
    """Three nights in folders, of which one shows a slip; a store; and what is none of these."""
    folder = tmp_path / "nights"
    _night(folder / "quiet.jsonl", 97.0)
    _night(folder / "deeper" / "still" / "low.jsonl.gz", 85.0)
    _night(folder / "deeper" / "very-low.jsonl", 8.0)
    begin(SqliteStore(folder / "store")).close()
    (folder / "notes.txt").write_text("of the night")
    (folder / "truth.jsonl").write_text('{"what": "a jsonl that is no recording"}\n')
    return folder


def _slip(tmp_path: Path) -> list[str]:
    """A rule set, and the same with a 0 lost: 9 % for 90 %."""
    sets = (small_rules(tmp_path / "a"), small_rules(tmp_path / "b", "1.0.1", spo2_low=9))
    return ["rules", "diff", *map(str, sets)]


def test_a_slip_in_a_limit_is_shown_by_the_one_night_in_a_folder_that_has_it(
    nights: Path, tmp_path: Path
) -> None:
    asked = _slip(tmp_path)
    quiet = CliRunner().invoke(main, [*asked, "--on", str(nights / "quiet.jsonl"), "--json"])
    assert json.loads(quiet.stdout)["behaviour"]["different"] == []
    done = CliRunner().invoke(main, [*asked, "--on", str(nights), "--json"])
    assert done.exit_code == 0, done.output
    body = json.loads(done.stdout)["behaviour"]
    assert [(one["verdict"], one["rule"]) for one in body["different"]] == [("gone", "spo2-low")]
    each = {one["read_in"].removeprefix(f"{nights}/"): one for one in body["each"]}
    assert {name: len(one["different"]) for name, one in each.items()} == {
        "deeper/still/low.jsonl.gz": 1, "deeper/very-low.jsonl": 0, "quiet.jsonl": 0,
        "store/tidewarden.sqlite": 0,
    }  # fmt: skip
    hours = body["patient_hours"]
    assert hours == pytest.approx(3 * 60 / 3600, rel=0.2)
    assert hours == pytest.approx(sum(one["patient_hours"] for one in body["each"]))
    (rates,) = body["rules"]
    assert (rates["before"], rates["after"]) == (2, 1)
    assert rates["before_per_patient_hour"] == pytest.approx(2 / hours)


def test_what_is_no_recording_is_left_out_with_a_word(nights: Path, tmp_path: Path) -> None:
    done = CliRunner().invoke(main, [*_slip(tmp_path), "--on", str(nights)])
    assert done.exit_code == 0, done.output
    told = done.stderr.splitlines()
    assert len(told) == 2, told
    assert f"left out: {nights}/notes.txt: no recording (.jsonl, .jsonl.gz)" in told[0]
    assert f"left out: {nights}/truth.jsonl:1: received_at is missing" in told[1]
    shown = done.stdout
    assert shown.index("One by one:") < shown.index("What differs in B:")
    assert "deeper/still/low.jsonl.gz" in "".join(shown.split())
    named = CliRunner().invoke(main, [*_slip(tmp_path), "--on", str(nights / "truth.jsonl")])
    assert (named.exit_code, "received_at is missing" in named.output) == (2, True)


def test_what_is_in_a_folder_and_named_too_counts_once(nights: Path, tmp_path: Path) -> None:
    low = nights / "deeper" / "still" / "low.jsonl.gz"
    asked = [*_slip(tmp_path), "--on", str(low), "--on", str(low.parent), "--json"]
    body = json.loads(CliRunner().invoke(main, asked).stdout)["behaviour"]
    assert [one["read_in"] for one in body["each"]] == [str(low)]


def test_a_folder_with_nothing_to_read_ends_with_two(nights: Path, tmp_path: Path) -> None:
    (nights / "none").mkdir()
    only = nights / "only"
    only.mkdir()
    (only / "truth.jsonl").write_text("{}\n")
    for folder, words in (("none", "there is no recording (.jsonl"), ("only", "is missing")):
        done = CliRunner().invoke(main, [*_slip(tmp_path), "--on", str(nights / folder)])
        assert (done.exit_code, words in done.output) == (2, True), done.output


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
