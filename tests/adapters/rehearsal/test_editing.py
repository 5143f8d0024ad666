"""After a save only what depends on it is judged again, and as a whole run would judge it."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from end_to_end.clients import wait_for
from rule_bench import small_rules

from adapters.rehearsal.editing import Desk, Round
from adapters.rehearsal.files import find_scenarios
from adapters.rehearsal.run import Stage
from adapters.rule_files import DEFAULT_RULES, RuleFilesError, load_rules, rules_folder
from rules.reading import RuleSetError
from rules.vocabulary import CATALOGUE

SOME = ("airway.yaml", "healthy.yaml", "oxygen.yaml")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The library's rules with some of their scenarios, to be edited."""
    home = Path(str(rules_folder(DEFAULT_RULES)))
    folder = tmp_path / "rules"
    shutil.copytree(home, folder, ignore=shutil.ignore_patterns("scenarios"))
    (folder / "scenarios").mkdir()
    for name in SOME:
        shutil.copy(home / "scenarios" / name, folder / "scenarios")
    return folder


def edit(path: Path, before: str, after: str) -> None:
    text = path.read_text("utf-8")
    assert before in text
    path.write_text(text.replace(before, after, 1), "utf-8")


def as_a_whole(folder: Path) -> dict[str, list[str]]:
    """What a run of everything says against each scenario."""
    rules = load_rules(str(folder))
    found = find_scenarios(str(folder), rules)
    stage = Stage(rules.rule_set)
    done = [stage.rehearse(one, found.folder(one)) for one in found.scenarios]
    return {one.scenario.name: [v.why for v in one.verdicts if not v.met] for one in done}


def told(found: Round) -> dict[str, list[str]]:
    return {one.scenario.name: [v.why for v in one.verdicts if not v.met] for one in found.all}


@pytest.mark.parametrize(
    ("file", "before", "after", "rules"),
    [
        ("airway.yaml", "for: 4 s", "for: 9 s", {"airway-narrowing"}),
        ("limits.yaml", "      - value: 1.5\n", "      - value: 4\n", None),
        ("scenarios/airway.yaml", "raised: 128 s", "raised: 150 s", set()),
        ("scenarios/healthy.yaml", "paw.pip: 10.1", "paw.pip: 17.1", set()),
    ],
)
def test_what_is_judged_again_is_what_a_whole_run_says(
    folder: Path, file: str, before: str, after: str, rules: set[str] | None
) -> None:
    desk = Desk(str(folder), ())
    first = desk.read()
    assert len(first.again) == len(first.all) > 20
    assert all(not why for why in told(first).values())
    assert desk.read().again == [], "nothing was saved"
    edit(folder / file, before, after)
    second = desk.read()
    assert told(second) == as_a_whole(folder)
    assert rules is None or second.changed == rules
    if file.startswith(("airway", "scenarios/airway")):
        assert 0 < len(second.again) < len(second.all)
    edit(folder / file, after, before)
    assert all(not why for why in told(desk.read()).values())


@pytest.fixture
def small(tmp_path: Path) -> Path:
    """One rule, with so many scenarios that several processes work through them."""
    folder = small_rules(tmp_path / "small")
    (folder / "scenarios").mkdir()
    due = "expect: [{rule: spo2-low, raised: 9 s to 12 s}]"
    falls = (
        f"  - scenario: saturation falls to {low}\n    patient: {{species: cat, mass: 3 kg}}\n"
        f'    lasts: 30 s\n    facts: {{spo2: "97 for 10 s, {low}"}}\n'
        f"    {due if low < 90 else 'never: spo2-low'}\n"
        for low in range(80, 100, 2)
    )
    (folder / "scenarios" / "falls.yaml").write_text("scenarios:\n" + "".join(falls), "utf-8")
    return folder


def test_several_processes_see_what_one_sees_and_an_edit_is_judged_by_what_they_saw(
    small: Path,
) -> None:
    many = Desk(str(small), (), jobs=2)
    first = many.read()
    assert told(first) == as_a_whole(small)
    assert [one.scenario.name for one in first.again] == list(as_a_whole(small)), "in their order"
    edit(small / "rules.yaml", "below: 90 %", "below: 85 %")
    second = many.read()
    assert told(second) == as_a_whole(small)
    assert sum(not one.passed for one in second.all) == 2, "86 and 88 %"


def test_only_some_are_watched(small: Path) -> None:
    names = [one.scenario.name for one in Desk(str(small), (), only="FALLS TO 9").read().all]
    assert names == [f"saturation falls to {low}" for low in (90, 92, 94, 96, 98)]
    with pytest.raises(RuleFilesError, match="no scenario has 'whales' in its name"):
        Desk(str(small), (), only="whales").read()


def test_a_rule_that_asks_for_more_gets_it(folder: Path) -> None:
    desk = Desk(str(folder), ())
    desk.read()
    wanted = load_rules(DEFAULT_RULES).rule_set.facts()
    new = next(name for name, fact in CATALOGUE.items() if name not in wanted and fact.high > 9)
    edit(folder / "airway.yaml", "{fact: breath.overdue, below: 2}", f"{{unknown: {new}}}")
    assert told(desk.read()) == as_a_whole(folder)


def test_what_cannot_be_read_leaves_what_was(folder: Path) -> None:
    desk = Desk(str(folder), ())
    desk.read()
    edit(folder / "airway.yaml", "for: 4 s", "for: four")
    with pytest.raises(RuleSetError, match=r"airway\.yaml"):
        desk.read()
    edit(folder / "airway.yaml", "for: four", "for: 5 s")
    assert desk.read().changed == {"airway-narrowing"}


@pytest.mark.slow
def test_a_save_is_answered_on_the_screen(folder: Path) -> None:
    # A shell that runs the tests in the background has them ignore Ctrl-C, and all they start.
    command = [
        "env", "--default-signal=INT", sys.executable, "-c",
        "from adapters.cli.main import main; main()", "rehearse", "--watch", "--rules", str(folder),
    ]  # fmt: skip
    out = folder.parent / "screen.txt"
    with (
        out.open("w") as screen,
        subprocess.Popen(
            command,
            stdout=screen,
            stderr=subprocess.STDOUT,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        ) as process,
    ):
        try:
            _wait(out, lambda text: "all as expected" in text)
            edit(folder / "airway.yaml", "for: 4 s", "for: 9 s")
            _wait(out, lambda text: "changed: airway-narrowing" in text and "not as" in text)
            edit(folder / "airway.yaml", "for: 9 s", "for: nine")
            _wait(out, lambda text: "airway.yaml:" in text and 'found "nine"' in text)
            edit(folder / "airway.yaml", "for: nine", "for: 4 s")
            _wait(out, lambda text: text.count("all as expected") == 2)
            process.send_signal(signal.SIGINT)
            assert process.wait(10) == 0
        finally:
            process.kill()


def _wait(out: Path, done: Callable[[str], bool]) -> None:
    wait_for(lambda: done(out.read_text()), 60.0, out.read_text())
    # Some file systems tell two saves within one tick of their clock as one.
    time.sleep(0.05)
