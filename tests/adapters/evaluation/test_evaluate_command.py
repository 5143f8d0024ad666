"""The whole: the same whatever the processes, the same as the service, and plainly simulated."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from adapters.cli.main import main
from adapters.evaluation.case import START_MS
from adapters.evaluation.evaluate import Population, evaluate_all, write_evaluation
from adapters.evaluation.population import draw_case
from adapters.evaluation.run import SIDES, Asked, evaluate_cases, load_sides, record_case
from adapters.evaluation.trace import simulate
from adapters.evaluation.watching import Bench
from adapters.recordings import read_recording
from adapters.replay import replay_recordings
from adapters.rule_files import DEFAULT_RULES, load_rules
from service.instants import from_text

ASKED = Asked(DEFAULT_RULES)
SIMULATED = "All patients here are simulated"


@pytest.mark.slow
def test_the_result_does_not_depend_on_the_processes() -> None:
    numbers = range(40, 46)
    alone = list(evaluate_cases(ASKED, 9, numbers, jobs=1))
    assert list(evaluate_cases(ASKED, 9, numbers, jobs=2)) == alone
    assert list(evaluate_cases(ASKED, 9, [43], jobs=1)) == [alone[3]]


@pytest.mark.slow
def test_several_books_say_what_the_service_says(tmp_path: Path) -> None:
    # The watch of the live service, on the same recording, is what the bench is held against.
    for number in (0, 5, 11):
        path = tmp_path / f"{number}.jsonl"
        record_case(draw_case(20, number), path)
        replayed = replay_recordings([path], load_rules(DEFAULT_RULES))
        bench = Bench(load_sides(ASKED).contenders[:1], START_MS)
        bench.run(list(read_recording(path)), replayed.ends_ms)
        expected = [
            (body["rule"], (from_text(body["raised_at"]) - START_MS) / 1000.0)
            for body in replayed.events
            if body["event"] == "raised" and body["outranked_by"] is None
        ]
        said = [(o.rule, o.raised_s) for o in bench.spoken["rules"] if o.raised_s == o.spoken_s]
        assert said == expected


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small evaluation, with a recording."""
    out = tmp_path_factory.mktemp("evaluation")
    recording = out / "one.jsonl"
    record_case(draw_case(20, 3), recording)
    evaluation = evaluate_all(ASKED, Population(20, range(4)), lambda: None, [recording])
    write_evaluation(evaluation, out)
    return out


def test_every_file_says_that_it_is_simulated(written: Path) -> None:
    summary = json.loads((written / "evaluation.json").read_text("utf-8"))
    assert summary["simulated"].startswith(SIMULATED)
    assert "never replaces" in summary["notice"]
    page = (written / "evaluation.html").read_text("utf-8")
    assert page.count(SIMULATED) >= 2
    assert "never replaces" in page
    assert (written / "cases.csv").read_text("utf-8").startswith(f"# {SIMULATED}")


def test_the_numbers_hang_together(written: Path) -> None:
    summary = json.loads((written / "evaluation.json").read_text("utf-8"))
    with (written / "cases.csv").open(encoding="utf-8") as file:
        next(file)
        rows = list(csv.DictReader(file))
    assert len(rows) == 4 * len(SIDES)
    for side in SIDES:
        found, mine = summary["sides"][side], [row for row in rows if row["side"] == side]
        overall = found["overall"]
        assert overall["false"] == sum(int(row["false"]) for row in mine)
        assert overall["spoken"] == sum(int(row["spoken"]) for row in mine)
        assert overall["episodes"] == sum(bool(row["due_s"]) for row in mine)
        for key in ("by_fault", "by_class", "by_mass", "by_fault_and_severity"):
            healthy = overall["false"] if key not in ("by_class", "by_mass") else None
            total = sum(group["false"] for group in found[key])
            assert total == overall["false"] if healthy is None else total <= healthy
            assert sum(group["episodes"] for group in found[key]) == overall["episodes"]
        assert overall["spoken"] == sum(rule["spoken"] for rule in found["by_rule"])
    assert summary["hours"] == pytest.approx(sum(draw_case(20, n).lasts_s for n in range(4)) / 3600)


def test_a_recording_is_told_without_truth(written: Path) -> None:
    summary = json.loads((written / "evaluation.json").read_text("utf-8"))
    (row,) = summary["recordings"]
    assert row["recording"] == "one.jsonl"
    assert set(row["sides"]) == set(SIDES)
    assert row["sides"]["rules"]["spoken"] == len(row["sides"]["rules"]["advisories"])


def test_the_page_asks_nothing_of_the_network_and_tells_every_picture_in_words(
    written: Path,
) -> None:
    page = (written / "evaluation.html").read_text("utf-8")
    outside = re.sub(r"<script.*?</script>", "", page, flags=re.DOTALL)
    assert "default-src 'none'" in outside
    assert not re.search(r"(?:src|href)\s*=", outside)
    pictures = re.findall(r'<div id="(\w+)" role="img" aria-label="([^"]+)"', outside)
    assert len(pictures) == 5
    for name, label in pictures:
        assert label.endswith("the table below says the same")
        behind = outside[outside.index(f'id="{name}"') :].split("</section>")[0]
        assert "<table>" in behind or ": none." in behind
    figures = page.split('id="figures">')[1].split("</script>")[0]
    assert set(json.loads(figures)) == {name for name, _ in pictures}


# -- the command ------------------------------------------------------------------------------


def test_one_case_becomes_a_recording(tmp_path: Path) -> None:
    path = tmp_path / "case.jsonl"
    asked = ["evaluate", "--seed", "20", "--case", "7", "--recording", str(path)]
    done = CliRunner().invoke(main, asked)
    assert done.exit_code == 0, done.output
    assert "(simulated)" in done.output
    sent = simulate(draw_case(20, 7)).sent
    assert [one.received_ms for one in read_recording(path)] == [one.at_ms for one in sent]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["evaluate"], "give --out DIR"),
        (["evaluate", "--case", "1"], "--case needs --recording"),
        (["evaluate", "--out", "x", "--recording", "y.jsonl"], "goes with --case"),
        (["evaluate", "--out", "x", "--rules", "none@9"], "not in the library"),
        (["evaluate", "--out", "x", "--kinds", "none.yaml"], "cannot be read"),
        (["evaluate", "--out", "x", "--recordings", "none.jsonl"], "no such file"),
        (["evaluate", "--out", "x", "--cases", "0"], "--cases"),
    ],
)
def test_wrong_use_ends_with_two_and_says_why(
    arguments: list[str], words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(main, arguments)
    assert done.exit_code == 2
    assert words in done.output


def test_a_missing_library_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    done = CliRunner().invoke(main, ["evaluate", "--out", "x"])
    assert done.exit_code == 2
    assert "pip install 'tidewarden[evaluate]'" in done.output
