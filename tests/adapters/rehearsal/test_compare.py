"""Two rule sets on the same scenarios: what comes later, and what one of the two never says."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from rule_bench import library_with

from adapters.cli.main import main
from adapters.rule_files import DEFAULT_RULES, rules_folder

AIRWAY = Path(str(rules_folder(DEFAULT_RULES))) / "scenarios" / "airway.yaml"


def diff(*arguments: str) -> dict[str, Any]:
    done = CliRunner().invoke(main, ["rules", "diff", *arguments, "--json"])
    assert done.exit_code == 0, done.output
    body: dict[str, Any] = json.loads(done.output)
    return body


def test_what_waits_longer_comes_later(tmp_path: Path) -> None:
    slower = library_with(tmp_path / "slower", "airway.yaml", "for: 4 s", "for: 9 s")
    body = diff(DEFAULT_RULES, str(slower), "--scenarios", str(AIRWAY))["behaviour"]
    found = body["different"]
    assert {(one["verdict"], one["rule"], one["moved_by_s"]) for one in found} == {
        ("later", "airway-narrowing", 5.0)
    }
    assert "airway/airway-narrowing" in {one["place"] for one in found}
    assert body["patient_hours"] == pytest.approx(0.33, abs=0.1)


def test_what_only_one_says_is_new_for_one_and_gone_for_the_other(tmp_path: Path) -> None:
    never = library_with(
        tmp_path / "never", "airway.yaml", "above: limit step_rise}",
        'above: limit step_rise, plus: "40 cm[H2O]"}',
    )  # fmt: skip
    asked = ("--scenarios", str(AIRWAY))
    gone = diff(DEFAULT_RULES, str(never), *asked)["behaviour"]["different"]
    new = diff(str(never), DEFAULT_RULES, *asked)["behaviour"]["different"]
    assert {(one["verdict"], one["rule"]) for one in gone} >= {("gone", "airway-narrowing")}
    assert {(one["verdict"], one["rule"]) for one in new} >= {("new", "airway-narrowing")}
    assert len(gone) == len(new)


def test_the_same_rules_say_the_same() -> None:
    asked = ("--scenarios", str(AIRWAY))
    assert diff(DEFAULT_RULES, DEFAULT_RULES, *asked)["behaviour"]["different"] == []


def test_scenarios_that_are_not_there_end_with_two(tmp_path: Path) -> None:
    asked = ["rules", "diff", DEFAULT_RULES, DEFAULT_RULES, "--scenarios", str(tmp_path / "none")]
    done = CliRunner().invoke(main, asked)
    assert done.exit_code == 2
    assert "no such file or folder" in done.output


def test_a_file_alone_finds_the_animals_of_its_neighbours_and_none_of_their_scenarios() -> None:
    done = CliRunner().invoke(main, ["rehearse", str(AIRWAY), "--jobs", "1"])
    assert done.exit_code == 0, done.output
    assert "8 scenarios, all as expected" in done.output
