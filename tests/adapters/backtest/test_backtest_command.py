"""`tidewarden backtest` as a rule author runs it: files, figures, what is cut off or wrong."""

from __future__ import annotations

import csv
import json
import os
import shutil
import signal
import subprocess
from pathlib import Path
from typing import Any

import pytest
from browser import OpenPage, fits_its_width
from click.testing import CliRunner, Result
from end_to_end.clients import wait_for
from end_to_end.service_process import tidewarden
from rule_bench import library_with

from adapters.backtest.backtest import WATCHED
from adapters.cli.main import main
from adapters.rule_files import DEFAULT_RULES

FIRST, NEXT = "small-animal-ventilation@0.1.0", "small-animal-ventilation@1.0.0"


def _run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, ["backtest", *map(str, arguments)], terminal_width=120)


def _body(out: Path) -> dict[str, Any]:
    body: dict[str, Any] = json.loads((out / "backtest.json").read_text("utf-8"))
    return body


@pytest.fixture(scope="module")
def written(nights: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """What two rule sets say of the nights: the folder, and the screen."""
    out = tmp_path_factory.mktemp("backtest")
    result = _run(nights, "--rules", FIRST, "--rules", NEXT, "--out", out, "--jobs", 1)
    assert result.exit_code == 0, result.output
    return out, result.output


def test_the_files_say_how_much_and_how_well(written: tuple[Path, str]) -> None:
    out, screen = written
    body = _body(out)
    assert body["sources"]["watched"] == 3
    assert body["sources"]["labelled"] == 2
    assert "Decision support only" in body["notice"]
    with (out / "advisories.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    for one in body["rule_sets"]:
        own = [row for row in rows if row["rule_set"] == f"{one['name']}@{one['version']}"]
        overall = one["overall"]
        assert overall["spoken"] == len(own) > 0
        for judgement in ("right", "false", "not known"):
            count = sum(row["judgement"] == judgement for row in own)
            assert overall[judgement.replace(" ", "_")] == count
        # The ward's store has no labels: of what was said there nobody knows.
        assert {row["judgement"] for row in own if row["source"].startswith("ward")} == {
            "not known"
        }
        assert overall["episodes"] == 1
        assert sum(row["spoken"] for row in one["by_rule"]) == overall["spoken"]
        hours = sum(row["patient_hours"] for row in one["by_source"])
        assert hours == pytest.approx(body["sources"]["patient_hours"])
        assert one["version"] in screen
    [compared] = body["compared"]
    assert (compared["before"], compared["after"]) == (FIRST, NEXT)
    assert sum(row["new"] for row in compared["rules"]) > 0


def test_a_second_run_watches_only_what_is_new(
    nights: Path, written: tuple[Path, str], tmp_path: Path
) -> None:
    out = tmp_path / "out"
    shutil.copytree(written[0], out)
    before = (out / WATCHED).read_bytes()
    (out / "backtest.json").unlink()
    result = _run(nights, "--rules", FIRST, "--rules", NEXT, "--out", out, "--jobs", 2)
    assert "6 of 6 parts were watched by an earlier run" in result.output.replace("\n", " ")
    assert (out / WATCHED).read_bytes() == before
    assert _body(out) == _body(written[0])
    # Other labels judge anew what was watched already.
    labels = tmp_path / "labels"
    labels.mkdir()
    (labels / "case-31.labels.yaml").write_text("by: nobody looked\n")
    result = _run(nights, "--rules", FIRST, "--labels", labels, "--out", out)
    assert result.exit_code == 0
    assert (out / WATCHED).read_bytes() == before
    overall = _body(out)["rule_sets"][0]["overall"]
    assert overall["not_known"] == overall["spoken"]


@pytest.mark.slow
@pytest.mark.parametrize(("jobs", "by"), [("1", signal.SIGKILL), ("2", signal.SIGINT)])
def test_a_run_that_is_cut_off_goes_on_where_it_ended(
    jobs: str, by: signal.Signals, nights: Path, written: tuple[Path, str], tmp_path: Path
) -> None:
    out = tmp_path / "out"
    # Where tests run in the background their shell may ignore what Ctrl-C sends.
    command = ["env", "--default-signal=INT", tidewarden(), "backtest", str(nights), "--out",
               str(out), "--jobs", jobs, "--rules", FIRST, "--rules", NEXT]  # fmt: skip
    with subprocess.Popen(
        command,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    ) as process:
        kept = out / WATCHED
        wait_for(lambda: kept.exists() and kept.read_bytes().count(b"\n") >= 3, 60, "two parts")
        # As from a terminal: to the command and all that it has started.
        os.killpg(process.pid, by)
        _, said = process.communicate(timeout=30)
    assert process.returncode != 0
    assert "Traceback" not in said
    done = kept.read_bytes().count(b"\n") - 1
    assert 2 <= done < 6, "it was done before it was killed, so nothing is shown"
    result = _run(nights, "--rules", FIRST, "--rules", NEXT, "--out", out, "--jobs", 1)
    assert result.exit_code == 0
    assert f"{done} of 6 parts were watched by an earlier run" in result.output.replace("\n", " ")
    assert _body(out) == _body(written[0])
    read = (out / "advisories.csv").read_text("utf-8")
    assert read == (written[0] / "advisories.csv").read_text("utf-8")


@pytest.mark.slow
def test_a_limit_that_was_mistyped_shows(nights: Path, tmp_path: Path) -> None:
    # 25 for 2.5: that most of the gas is lost is told no more.
    changed = library_with(tmp_path / "rules", "limits.yaml", "value: 2.5\n", "value: 25\n")
    case = nights / "case-31.jsonl.gz"
    out = tmp_path / "out"
    result = _run(case, "--rules", DEFAULT_RULES, "--rules", changed, "--out", out, "--jobs", 1)
    assert result.exit_code == 0, result.output
    [compared] = _body(out)["compared"]
    gone = {row["rule"]: row["gone"] for row in compared["rules"]}
    assert gone.pop("gas-mostly-lost") == 1
    assert not any(gone.values())
    before, after = (one["overall"]["urgent_told"]["value"] for one in _body(out)["rule_sets"])
    assert (before, after) == (1.0, 0.0)


def test_what_cannot_be_read_ends_with_one_and_is_named(nights: Path, tmp_path: Path) -> None:
    shutil.copy(nights / "case-17.jsonl.gz", tmp_path)
    (tmp_path / "empty.jsonl").write_text("{}\n")
    (tmp_path / "other.sqlite").write_text("no")
    result = _run(tmp_path, "--rules", FIRST, "--out", tmp_path / "out", "--jobs", 1)
    assert result.exit_code == 1
    body = _body(tmp_path / "out")
    assert [one["name"] for one in body["sources"]["unread"]] == ["empty.jsonl", "other.sqlite"]
    assert body["sources"]["watched"] == 1
    assert "empty.jsonl" in result.output
    assert "received_at is missing" in result.output.replace("\n", " ")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["nowhere"], "nowhere: no such file or folder"),
        (["{nights}", "--rules", "none@1.0.0"], "is not in the library"),
        (["{nights}", "--scheduler", "nonsense"], "no Dask scheduler answers there"),
    ],
)
def test_wrong_use_ends_with_two(
    arguments: list[str], says: str, nights: Path, tmp_path: Path
) -> None:
    given = [one.replace("{nights}", str(nights)) for one in arguments]
    result = _run(*given, "--out", tmp_path / "out")
    assert result.exit_code == 2
    assert says in result.output.replace("\n", " ")


def test_labels_that_do_not_fit_are_named_with_their_line(nights: Path, tmp_path: Path) -> None:
    (tmp_path / "case-17.labels.yaml").write_text(
        "by: me\nhappened:\n  - {what: leak, from: 5 s, place: recovery/away}\n"
    )
    case = nights / "case-17.jsonl.gz"
    result = _run(case, "--rules", FIRST, "--labels", tmp_path, "--out", tmp_path / "out",
                  "--jobs", 1)  # fmt: skip
    assert result.exit_code == 2
    assert "case-17.labels.yaml:3:" in result.output.replace("\n", "")
    assert "is no place of case-17.jsonl.gz" in result.output.replace("\n", " ")


@pytest.mark.parametrize("width", [1280, 800])
def test_everybody_can_read_the_report(
    written: tuple[Path, str], open_page: OpenPage, width: int
) -> None:
    opened = open_page(written[0] / "backtest.html", "light", width)
    pictures = opened.page.locator(".picture")
    assert pictures.count() == 3
    for picture in pictures.all():
        picture.scroll_into_view_if_needed()
        picture.locator("svg").first.wait_for()
    assert opened.violations() == []
    assert (opened.wrong, opened.asked) == ([], [])
    assert fits_its_width(opened.page), "it has to be moved sideways"
    assert "Backtest of small-animal-ventilation@0.1.0" in opened.page.inner_text("h1")
