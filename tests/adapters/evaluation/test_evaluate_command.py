"""The whole: the same whatever the processes, the same as the service, and plainly simulated."""

from __future__ import annotations

import csv
import io
import json
import re
import subprocess
import sys
from contextlib import nullcontext
from pathlib import Path

import pytest
from click.testing import CliRunner
from end_to_end.clients import wait_for
from rich.console import Console

from adapters.cli.evaluate import _print
from adapters.cli.main import main
from adapters.evaluation.case import START_MS
from adapters.evaluation.evaluate import UNFINISHED, Population, evaluate_all, write_evaluation
from adapters.evaluation.population import draw_case
from adapters.evaluation.report.tables import LABELS, table
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
    watched = nullcontext(lambda: None)
    evaluation = evaluate_all(ASKED, Population(20, range(4)), watched, out, [recording])
    write_evaluation(evaluation, out)
    return out


def test_every_file_says_that_it_is_simulated(written: Path) -> None:
    summary = json.loads((written / "evaluation.json").read_text("utf-8"))
    assert summary["simulated"].startswith(SIMULATED)
    assert "never replaces" in summary["notice"]
    page = (written / "evaluation.html").read_text("utf-8")
    assert page.count(SIMULATED) >= 2
    assert "never replaces" in page
    assert "PPV, the positive predictive value" in page
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


def test_a_value_breaks_only_before_its_interval() -> None:
    cells = ["", "93 % (78 to 99)", "0.12 (0.03 to 0.37)", "-", "disconnected 25", "x" * 31]
    text = table("Some", ("",) * len(cells), [cells])
    assert "<td><span>93 %</span> <span>(78 to 99)</span></td>" in text
    assert "<td><span>0.12</span> <span>(0.03 to 0.37)</span></td>" in text
    assert "<td>-</td><td>disconnected 25</td><td class=words>xxx" in text


def test_each_side_has_one_name_on_page_and_screen(written: Path) -> None:
    page = (written / "evaluation.html").read_text("utf-8")
    summary = json.loads((written / "evaluation.json").read_text("utf-8"))
    console = Console(file=io.StringIO(), width=200)
    _print(console, summary, written)
    assert isinstance(console.file, io.StringIO)
    assert set(LABELS) == set(SIDES)
    for label in LABELS.values():
        assert f">{label}</th>" in page
        assert label in console.file.getvalue()
    assert "fixed limits" not in page


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
    assert "simulated cases" not in done.output, "a bar, and nothing has begun"


def test_a_missing_library_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    done = CliRunner().invoke(main, ["evaluate", "--out", "x"])
    assert done.exit_code == 2
    assert "pip install 'tidewarden[evaluate]'" in done.output


@pytest.mark.slow
def test_killed_and_given_again_it_goes_on_and_ends_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = ["evaluate", "--cases", "4", "--seed", "33", "--out"]
    whole = CliRunner().invoke(main, [*asked, str(tmp_path / "whole")])
    assert whole.exit_code == 0, whole.output
    out = tmp_path / "killed"
    kept = _killed_after(1, [*asked, str(out), "--jobs", "1"], out / UNFINISHED)
    assert 1 <= kept < 4
    refused = CliRunner().invoke(main, [*asked[:3], "--seed", "34", "--out", str(out)])
    assert refused.exit_code == 2
    assert "of another run (other seed)" in refused.output
    evaluated: list[int] = []
    monkeypatch.setattr(
        "adapters.evaluation.run.simulate",
        lambda case: evaluated.append(case.number) or simulate(case),
    )
    again = CliRunner().invoke(main, [*asked, str(out), "--jobs", "1"])
    assert again.exit_code == 0, again.output
    assert evaluated == list(range(kept, 4))
    assert not (out / UNFINISHED).exists()
    for name in ("evaluation.json", "cases.csv", "evaluation.html"):
        assert (out / name).read_bytes() == (tmp_path / "whole" / name).read_bytes()


def _killed_after(rows: int, arguments: list[str], journal: Path) -> int:
    """Run the command, kill it with SIGKILL when so many cases are kept; returns how many were."""
    command = [sys.executable, "-c", "from adapters.cli.main import main; main()", *arguments]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL) as process:
        try:
            wait_for(lambda: _kept(journal) >= rows, 120.0, f"{rows} cases are kept")
        finally:
            process.kill()
    return _kept(journal)


def _kept(journal: Path) -> int:
    """Whole lines after the first."""
    return max(0, journal.read_bytes().count(b"\n") - 1) if journal.is_file() else 0
