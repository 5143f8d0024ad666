"""The guide's worked example, from a complaint to a released version: each command run for real."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from adapters.cli.main import main

GUIDE = (Path(__file__).parents[3] / "rules" / "README.md").read_text(encoding="utf-8")
RULES = re.findall(r"```yaml\n# our-house/(\S+)\n(.*?)```", GUIDE, re.DOTALL)
SCENARIO, CHANGE = re.findall(r"```yml\n# our-house/(\S+)\n(.*?)```", GUIDE, re.DOTALL)
STORY = GUIDE.split("### From a complaint to a released version")[1].split("\n## ")[0]
COMMANDS = re.findall(r"^tidewarden (.*)$", STORY, re.MULTILINE)


def run(command: str, house: Path, store: Path) -> Result:
    words = [
        {"our-house": str(house), "DIR": str(store)}.get(word, word)
        for word in shlex.split(command)
    ]
    return CliRunner().invoke(main, words, env={"COLUMNS": "200"})


@pytest.fixture
def house(tmp_path: Path) -> Path:
    """Our house's rule set as the guide has it, with the complaint."""
    folder = tmp_path / "our-house"
    for name, text in (*RULES, SCENARIO):
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return folder


@pytest.mark.slow
def test_the_story_goes_as_it_is_told(house: Path, tmp_path: Path) -> None:
    rehearse, diff, release = COMMANDS
    before = run(rehearse, house, tmp_path)
    assert before.exit_code == 1
    [shown] = re.findall(r"shows the complaint: `(.*?)`", STORY)
    assert shown in " ".join(before.output.split())
    name, text = CHANGE
    (house / name).write_text(text, encoding="utf-8")
    after = run(rehearse, house, tmp_path)
    assert after.exit_code == 0, after.output
    [said] = re.findall(r"now says `(.*?)`", STORY)
    assert said in after.output
    changed = run(diff, house, tmp_path)
    assert changed.exit_code == 0, changed.output
    assert "suction_time" in changed.output
    store = tmp_path / "store"
    store.mkdir()
    kept = run(release, house, store)
    assert kept.exit_code == 0, kept.output


def test_the_table_names_every_key_of_an_expectation() -> None:
    for key in ("rule", "raised", "priority", "says", "with", "explained_by", "reminded",
                "escalated", "cleared", "never", "quiet", "others: silent", "asked", "about",
                "patient", "lasts", "tolerance", "happens", "readings", "facts", "recording",
                "animal", "simulate", "accepted"):  # fmt: skip
        assert f"`{key}`" in GUIDE, key


@pytest.mark.parametrize("path", ["rehearse", "rules release", "rules diff"])
def test_every_option_is_described(path: str) -> None:
    command: click.Command | None = main
    for name in path.split():
        assert isinstance(command, click.Group)
        command = command.get_command(click.Context(command), name)
    assert command is not None
    options = [one for one in command.params if isinstance(one, click.Option)]
    assert options
    missing = [one.opts[0] for one in options if not re.search(rf"{one.opts[0]}\b", GUIDE)]
    assert missing == []
    assert all(one.help for one in options), "and in the help of the command"
