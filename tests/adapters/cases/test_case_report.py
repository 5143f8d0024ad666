"""The report of a case from a store: its numbers, its command, and its page."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browser import OpenPage, Scheme, fits_its_width
from click.testing import CliRunner, Result
from past_bench import PLACE, START_MS, make_store
from sqlite_utils import Database

from adapters.cases.reports import read_report
from adapters.cli.main import main
from adapters.sqlite.reading import open_for_reading
from service.instants import from_text, to_text


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_store(tmp_path_factory.mktemp("report"))


@pytest.fixture(scope="module")
def db(store: Path) -> Iterator[Database]:
    database = open_for_reading(store)
    yield database
    database.close()


@pytest.fixture(scope="module")
def body(db: Database) -> dict[str, Any]:
    """Of the one whose tube kinked, and who lay there first."""
    return read_report(db, PLACE, START_MS + 60_000)[0]


def _case(store: Path, *args: str) -> Result:
    return CliRunner().invoke(main, ["case", f"--store={store}", *args])


def test_who_it_was_and_for_how_long(body: dict[str, Any]) -> None:
    one = body["case"]
    assert (one["patient"], one["species"], one["ended"]) == ("Marram", "rabbit", True)
    assert one["lasted_s"] == pytest.approx(110.0, abs=1.0)
    phases = [phase["phase"] for phase in body["phases"]]
    assert phases == ["maintenance", "transfer"]
    assert sum(phase["lasted_s"] for phase in body["phases"]) == pytest.approx(
        one["lasted_s"], abs=0.1
    )
    # Another lay there later: nothing of that one is told.
    assert "Sorrel" not in json.dumps(body)


def test_lowest_and_highest_are_those_of_the_store(body: dict[str, Any], db: Database) -> None:
    until_ms = from_text(body["case"]["to"])
    for name in ("etco2", "spo2", "pulse_rate"):
        low, high = db.execute(
            """
            select min(n.value), max(n.value) from numerics n
              join messages m on m.id = n.message_id join places p on p.id = m.place_id
             where p.ward || '/' || p.place = ? and n.name = ? and m.received_ms < ?
            """,
            [PLACE, name, until_ms],
        ).fetchone()
        [found] = [one for one in body["figures"] if one["vital"] == name]
        assert (found["lowest"], found["highest"]) == (round(low, 3), round(high, 3)), name


def test_time_without_a_reading_is_not_called_known(body: dict[str, Any]) -> None:
    # Saturation is not known for 20 s, and nothing at all comes for 16 s, of 110 s.
    [spo2] = [one for one in body["figures"] if one["vital"] == "spo2"]
    assert 0.60 < spo2["known_share"] < 0.80
    assert any("SpO2 for" in line and "Not known" in line for line in body["summary"])
    assert any(line.startswith("Nothing at all came for 1") for line in body["summary"])


def test_an_advisory_is_told_with_who_saw_it_and_when(body: dict[str, Any]) -> None:
    one = next(each for each in body["advisories"] if each["rule"] == "airway-narrowing")
    assert one["seen_by"] == "Wren"
    assert 10.0 < one["seen_after_s"] < 30.0
    assert one["stands"] is False
    begun, ended = one["spans"][0]["from"], one["spans"][-1]["to"]
    assert from_text(ended) - from_text(begun) == pytest.approx(1000 * one["stood_s"], abs=1)
    # What explains others comes before them, the most urgent first.
    assert body["advisories"][0]["outranked_by"] is None
    assert body["advisories"][0]["priority"] == "high"


def test_the_record_has_a_row_for_each_minute(body: dict[str, Any]) -> None:
    record = body["record"]
    assert record["every_s"] == 60.0
    assert [from_text(row["at"]) % 60_000 for row in record["rows"]] == [0] * len(record["rows"])
    assert len(record["rows"]) in (1, 2)
    assert record["rows"][0]["values"]["spo2"] is None or record["rows"][0]["values"]["spo2"] > 90


def test_the_command_lists_the_cases_and_tells_one(store: Path) -> None:
    listed = _case(store)
    assert listed.exit_code == 0
    for name in ("Marram", "Sorrel", "Pebble"):
        assert name in listed.output
    told = _case(store, "Marram")
    assert told.exit_code == 0
    assert "Watched for 111 s: maintenance 50 s, transfer 60 s" in told.output
    body = json.loads(_case(store, "Marram", "--json").output)
    assert body["case"]["patient"] == "Marram"
    # What spoke for itself is named, whatever its priority.
    for one in body["advisories"]:
        assert (one["title"] in told.output) == (one["outranked_by"] is None)
    rows = json.loads(_case(store, "--json").output)["cases"]
    assert {row["patient"] for row in rows} == {"Marram", "Sorrel", "Pebble"}


def test_a_place_means_who_lay_there_last_or_at_that_time(store: Path) -> None:
    last = json.loads(_case(store, PLACE, "--json").output)
    assert last["case"]["patient"] == "Sorrel"
    then = json.loads(_case(store, PLACE, "--json", f"--from={to_text(START_MS + 9000)}").output)
    assert then["case"]["patient"] == "Marram"


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["Nobody"], r'no case of "Nobody" in this store; it holds: Sorrel (recovery/bay-2)'),
        (["Marram", "--from=2026-01-01T00:00:00Z"], '--from lies in no stay of "Marram"'),
        (["Marram", "--from=yesterday"], "RFC 3339"),
        (["Marram", "--html=/nowhere/at/all.html"], "/nowhere/at/all.html: cannot be written"),
    ],
)
def test_what_cannot_be_told_is_named(store: Path, args: list[str], said: str) -> None:
    result = _case(store, *args)
    assert result.exit_code == 2
    assert said in result.output


@pytest.fixture(scope="module")
def page(store: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "case.html"
    assert _case(store, "Marram", f"--html={path}").exit_code == 0
    return path


def test_the_file_holds_everything_and_asks_for_nothing(page: Path, open_page: OpenPage) -> None:
    opened = open_page(page)
    assert (opened.wrong, opened.asked) == ([], [])
    text = opened.page.inner_text("body")
    for words in ("The case of Marram", "All times are UTC", "Pressure jumps", "Wren acknowledged",
                  "Quiet asked for", "small-animal-ventilation@",
                  "Decision support only"):  # fmt: skip
        assert words in text, words
    # The picture is drawn: a line for each value, and a bar for each advisory.
    assert opened.page.locator(".chart svg path").count() > 20
    assert "EtCO2" in opened.page.inner_text(".chart")
    assert page.stat().st_size < 500_000


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 600])
def test_everybody_can_read_the_report(
    page: Path, open_page: OpenPage, scheme: Scheme, width: int
) -> None:
    opened = open_page(page, scheme, width)
    assert opened.violations() == []
    assert fits_its_width(opened.page)


def test_the_same_store_gives_the_same_report(store: Path) -> None:
    first, again = (_case(store, "Marram", "--html=-").output for _ in range(2))
    made = "Report made by Tidewarden"
    assert first.partition(made)[0] == again.partition(made)[0]


def test_without_the_drawing_library_it_is_told_in_words(store: Path, tmp_path: Path) -> None:
    (tmp_path / "sitecustomize.py").write_text(
        "import sys\nsys.modules['matplotlib'] = None\n"
        "import importlib.util as util\nfind = util.find_spec\n"
        "hidden = lambda name, *rest: None if name == 'matplotlib' else find(name, *rest)\n"
        "util.find_spec = hidden\n",
        "utf-8",
    )
    paths = os.pathsep.join(filter(None, [str(tmp_path), os.environ.get("PYTHONPATH", "")]))
    done = subprocess.run(
        [sys.executable, "-m", "adapters.cli.main", "case", "Marram", f"--store={store}",
         "--html=-"],
        check=True, capture_output=True, text=True, env={**os.environ, "PYTHONPATH": paths},
    )  # fmt: skip
    assert "There is no picture of the course" in done.stdout
    assert "<svg" not in done.stdout
    assert "EtCO2" in done.stdout
