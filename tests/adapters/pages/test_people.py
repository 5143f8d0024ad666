"""Who may use the pages: a file that only its owner can read, without any password in it."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest
from click.testing import CliRunner

from adapters.cli.main import main
from adapters.config import ConfigError, read_config
from adapters.pages.people import PeopleError, Person, add_person, list_people, read_people

WORDS = "a long enough word"


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "people.toml"
    add_person(path, "mira", "team", WORDS)
    add_person(path, "hall", "wall", WORDS + "!")
    return path


def test_who_knows_the_password_is_that_person(file: Path) -> None:
    people = read_people(file)
    assert people.who("mira", WORDS) == Person("mira", "team")
    assert people.who("hall", WORDS + "!") == Person("hall", "wall")
    assert people.who("mira", WORDS + "!") is None
    assert people.who("nobody", WORDS) is None


def test_the_file_holds_no_password_and_is_its_owners_alone(file: Path) -> None:
    assert WORDS not in file.read_text("utf-8")
    assert stat.S_IMODE(file.stat().st_mode) == 0o600


def test_a_new_password_and_role_replace_the_old(file: Path) -> None:
    assert add_person(file, "mira", "reader", "quite another word") is False
    people = read_people(file)
    assert people.who("mira", WORDS) is None
    assert people.who("mira", "quite another word") == Person("mira", "reader")
    assert list_people(file) == {"hall": "wall", "mira": "reader"}


@pytest.mark.parametrize("name", ["", "two words", "-x", "a" * 41, 'x"]\nrole="team', "../x"])
def test_a_name_that_cannot_be_is_refused_and_nothing_is_lost(file: Path, name: str) -> None:
    with pytest.raises(PeopleError, match="name"):
        add_person(file, name, "team", WORDS)
    assert list_people(file) == {"hall": "wall", "mira": "team"}


def test_a_short_password_is_refused(file: Path) -> None:
    with pytest.raises(PeopleError, match="password: at least 10"):
        add_person(file, "tern", "team", "short")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[people.mira]\nrole = "boss"\npassword = "$argon2id$x"\n', "people.mira.role"),
        ('[people.mira]\nrole = "team"\npassword = "plain"\n', "people.mira.password"),
        ("[people\n", "cannot be read"),
    ],
)
def test_a_file_that_is_wrong_says_where(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "people.toml"
    path.write_text(text, "utf-8")
    with pytest.raises(PeopleError, match=said):
        read_people(path)


def test_the_commands(tmp_path: Path) -> None:
    path = str(tmp_path / "people.toml")
    run = CliRunner().invoke
    asked = run(main, ["people", "add", "mira", "--file", path], input=f"{WORDS}\n{WORDS}\n")
    assert (asked.exit_code, "mira is entered" in asked.output) == (0, True)
    assert WORDS not in asked.output
    assert run(main, ["people", "list", "--file", path]).output.split() == ["mira", "team"]
    wrong = run(main, ["people", "remove", "mara", "--file", path])
    assert (wrong.exit_code, "there is no 'mara'" in wrong.output) == (2, True)
    assert run(main, ["people", "remove", "mira", "--file", path]).exit_code == 0
    assert list_people(tmp_path / "people.toml") == {}


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ('host = "0.0.0.0"', "say in people who may use them"),
        ('host = "192.168.4.2"\neveryone = "ward"', "say in people who may use them"),
        ('people = "p.toml"\neveryone = "ward"', "everyone: give either"),
        ("session_minutes = 0", "session_minutes"),
    ],
)
def test_pages_that_others_reach_need_people(tmp_path: Path, settings: str, said: str) -> None:
    config = tmp_path / "tidewarden.toml"
    config.write_text(f"[pages]\n{settings}\n", "utf-8")
    with pytest.raises(ConfigError, match=said):
        read_config(config)
