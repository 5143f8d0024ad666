"""The commands on versions of rule sets, as their users call them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from rule_bench import NAME, folder_of, signed, variant

from adapters.app import SLOW_TURNS, Parts, _follow_ledger, assemble, service_from_config
from adapters.cli.main import main
from adapters.config import read_config
from adapters.mqtt import BrokerAddress
from adapters.rule_activation import start_trial
from adapters.rule_files import RuleFilesError, load_rules, loaded_again
from rules.loading import RuleSetError
from rules.notice import NOTICE
from service.watch import Outcome

#: A small rule set that never changes.
RELEASED = "small-animal-ventilation@0.1.0"

NEW = f"{NAME}@0.2.0"


def _run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, ["rules", *map(str, arguments)])


@pytest.fixture
def store(tmp_path: Path) -> Path:
    (tmp_path / "store").mkdir()
    folder = folder_of(variant("0.2.0", co2_high=50), tmp_path / "site")
    done = _run("release", folder, "--by", "author", "--notes", "lower", "--store",
                tmp_path / "store")  # fmt: skip
    assert done.exit_code == 0, done.output
    assert f"Released {NEW}" in done.output
    return tmp_path / "store"


def _config(store: Path, rules: str) -> Path:
    path = store / "tidewarden.toml"
    path.write_text(f'[store]\ndirectory = "{store}"\n[rules]\n{rules}\n')
    return path


def _activate(*more: str | Path) -> Result:
    return _run("activate", NEW, "--by", "author", "--author", "Author", "--why", "why", *more)


def test_a_species_that_is_not_known_is_pointed_out(tmp_path: Path) -> None:
    folder = folder_of(load_rules(RELEASED), tmp_path / "site")
    limits = (folder / "limits.yaml").read_text()
    assert "species: rabbit" in limits
    (folder / "limits.yaml").write_text(limits.replace("species: rabbit", "species: rabit", 1))
    shown = _run("check", folder)
    assert shown.exit_code == 0, shown.output
    words = " ".join(shown.output.split())
    assert 'Not a species known here: "rabit"; did you mean "rabbit"?' in words
    assert json.loads(_run("check", folder, "--json").output)["species_not_known"] == ["rabit"]
    assert "Not a species known here" not in _run("check", RELEASED).output
    asked = _run("limits", "--species", "rabit", "--mass", "1.2")
    assert asked.exit_code == 2
    assert 'did you mean "rabbit"? Else give its --class too' in asked.output


def test_what_it_is_and_is_not_is_said_once(tmp_path: Path, store: Path) -> None:
    """Whatever the caution of a house's own rules says; the library's says the same itself."""
    files = dict(load_rules(RELEASED).files)
    before, _, _ = files["rule-set.yaml"].partition("caution:")
    files["rule-set.yaml"] = f"{before}caution: ours only\n"
    folder = folder_of(loaded_again(files), tmp_path / "house")
    for command in (
        ("check", RELEASED), ("review", RELEASED), ("check", folder), ("review", folder),
        ("list",), ("history", "--store", store),
    ):  # fmt: skip
        shown = _run(*command)
        assert shown.exit_code == 0, shown.output
        words = " ".join(shown.output.split())
        assert words.count(NOTICE) == 1, command
        assert ("ours only" in words) == (folder in command)
    for command in (("check", folder), ("history", "--store", store)):
        assert json.loads(_run(*command, "--json").output)["notice"] == NOTICE


def test_two_persons_by_default_and_by_configuration(store: Path) -> None:
    refused = _activate("--store", store)
    assert refused.exit_code == 2
    assert "let another person do it" in refused.output
    refused = _activate("--config", _config(store, ""), "--override", "alone")
    assert refused.exit_code == 2
    assert "allow_override" in refused.output
    done = _activate("--config", _config(store, "allow_override = true"), "--override", "alone")
    assert done.exit_code == 0, done.output
    history = json.loads(_run("history", "--store", store, "--json").output)
    assert history["active"] == NEW
    assert [row["action"] for row in history["history"]] == ["release", "activate"]
    assert history["history"][1]["override_reason"] == "alone"
    assert history["history"][1]["taken_at"] is None


def test_two_persons_can_be_switched_off(store: Path) -> None:
    done = _activate("--config", _config(store, "two_persons = false"))
    assert done.exit_code == 0, done.output
    shown = _run("history", "--config", _config(store, ""))
    assert "rules by Author" in shown.output
    assert f"Active: {NEW}. On trial: none. Last used by a service: none yet." in shown.output


def test_the_store_must_be_named(store: Path) -> None:
    for command in ("history", "trial report"):
        done = _run(*command.split())
        assert done.exit_code == 2
        assert "--store DIR" in done.output
    nowhere = _run("history", "--store", store / "typo")
    assert nowhere.exit_code == 2
    assert "no such folder" in nowhere.output
    assert not (store / "typo").exists()


def test_a_trial_from_a_folder_and_its_end(store: Path, tmp_path: Path) -> None:
    candidate = folder_of(variant("0.3.0", co2_high=45), tmp_path / "candidate")
    who = ["--by", "second", "--why", "to see", "--store", store]
    assert "is on trial" in _run("trial", "start", candidate, *who).output
    again = _run("trial", "start", NEW, *who)
    assert (again.exit_code, "one at a time" in again.output) == (2, True)
    assert "no service has tried rules" in _run("trial", "report", "--store", store).output
    assert "is over" in _run("trial", "stop", *who).output
    refused = _run("rollback", *who)
    assert (refused.exit_code, "nothing was active" in refused.output) == (2, True)


def _service(store: Path) -> Parts:
    rules = load_rules(RELEASED)
    return assemble(rules=rules, address=BrokerAddress("127.0.0.1", 9), store_directory=store)


def test_a_service_starts_with_what_is_active(store: Path) -> None:
    assert _run("activate", NEW, "--by", "second", "--author", "author", "--why", "why",
                "--store", store).exit_code == 0  # fmt: skip
    parts = _service(store)
    assert parts.watch.rule_set.version == "0.2.0"
    parts.switch.close()
    parts.store.close()


def test_a_trial_with_which_the_service_falls_behind_is_stopped(store: Path) -> None:
    parts = _service(store)
    start_trial(parts.store.ledger, NEW, signed())
    parts.switch.now = parts.switch._read(*parts.switch._asked())
    parts.slow_turns = SLOW_TURNS - 1
    _follow_ledger(parts, Outcome())
    assert parts.store.ledger.wanted().trial is not None
    parts.slow_turns = SLOW_TURNS
    _follow_ledger(parts, Outcome())
    assert parts.store.ledger.wanted().trial is None
    assert "fell behind" in parts.store.ledger.entries()[-1].reason
    parts.switch.close()
    parts.store.close()


def test_a_trial_that_failed_is_stopped_and_stands_in_the_history(
    store: Path, caplog: pytest.LogCaptureFixture
) -> None:
    parts = _service(store)
    start_trial(parts.store.ledger, NEW, signed())
    parts.switch.now = parts.switch._read(*parts.switch._asked())
    _follow_ledger(parts, Outcome(trial_failed="it failed at w/p (KeyError)"))
    assert parts.store.ledger.wanted().trial is None
    last = parts.store.ledger.entries()[-1]
    assert (last.action, last.by) == ("trial stop", "tidewarden")
    assert last.reason == "it failed at w/p (KeyError)"
    assert f"the trial of {NEW} is stopped: it failed at w/p (KeyError)" in caplog.text
    parts.switch.close()
    parts.store.close()


def _started(store: Path, folder: Path) -> Parts:
    return service_from_config(read_config(_config(store, f'use = "{folder}"')))


@pytest.mark.parametrize("gone", [False, True], ids=["a mistake in it", "not there"])
def test_a_broken_folder_does_not_keep_a_service_from_what_is_active(
    store: Path, tmp_path: Path, caplog: pytest.LogCaptureFixture, gone: bool
) -> None:
    folder = tmp_path / "site"
    if gone:
        folder = tmp_path / "moved away"
    else:
        (folder / "limits.yaml").write_text("limits: [")
    wrong = RuleFilesError if gone else RuleSetError
    # Nothing is active: then there is nothing to go by, and it says what is wrong.
    with pytest.raises(wrong):
        _started(store, folder)
    assert _run("activate", NEW, "--by", "second", "--author", "author", "--why", "why",
                "--store", store).exit_code == 0  # fmt: skip
    parts = _started(store, folder)
    assert parts.watch.rule_set.version == "0.2.0"
    assert f"rules {folder} of the configuration cannot be read" in caplog.text
    parts.switch.close()
    parts.store.close()
    # No store yet: the same error as ever.
    with pytest.raises(wrong):
        _started(tmp_path, folder)
