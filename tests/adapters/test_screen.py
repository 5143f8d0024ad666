"""What a rule set, a store or a message says reaches the screen as it was written."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest
from click.testing import CliRunner
from rich.table import Table
from rule_bench import RELEASED, START_MS

import adapters.cli
from adapters.cli.main import main
from adapters.cli.screen import screen
from adapters.recordings import Line, write_recording
from adapters.rule_files import load_rules
from service.instants import to_text

#: Read as markup the first would be a colour, the second an error, the third a picture.
BRACKETS = "[red]a tube[/x] :warning:"


def _folder(folder: Path, files: Mapping[str, str]) -> Path:
    folder.mkdir()
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def _changed(folder: Path, name: str, old: str, new: str) -> Path:
    """The released rules with another text."""
    files = dict(load_rules(RELEASED).files)
    assert old in files[name]
    return _folder(folder, {**files, name: files[name].replace(old, new)})


def _words(*arguments: str | Path) -> str:
    """What the command prints, on one line."""
    wide = CliRunner(env={"COLUMNS": "300"})
    done = wide.invoke(main, [*map(str, arguments)], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return " ".join(done.output.split())


def test_a_text_in_a_line_or_a_table(capsys: pytest.CaptureFixture[str]) -> None:
    table = Table(BRACKETS)
    table.add_row(f"row {BRACKETS}")
    screen().print(f"line {BRACKETS}", table)
    printed = capsys.readouterr().out
    assert printed.count(BRACKETS) == 3


def test_no_command_prints_on_another_screen() -> None:
    [folder] = adapters.cli.__path__
    makers = [p.name for p in Path(folder).glob("*.py") if "Console(" in p.read_text("utf-8")]
    assert makers == ["screen.py"]


def test_the_unit_of_a_limit(tmp_path: Path) -> None:
    old = "a narrower tube\n    unit: cm[H2O]"
    new = old.replace("cm[H2O]", '"[in_i\'H2O]"')
    told = _words(
        "rules", "limits", "--rules", _changed(tmp_path / "site", "limits.yaml", old, new)
    )
    assert "step_rise 1.5 [in_i'H2O], for every patient" in told


def test_who_approved_a_limit_and_why(tmp_path: Path) -> None:
    about = (
        "name: our-house\nversion: 1.0.0\ntitle: Ours\nsummary: ours\ncaution: ours only\n"
        f"parent: {RELEASED}\n"
    )
    own = (
        "limits:\n  step_rise:\n    values:\n      - value: 2\n        since: 2026-12-01\n"
        "        source: {ref: our audit, confidence: common practice}\n"
        f'        approved: {{by: "Wren [vet]", on: 2026-12-01, why: "{BRACKETS}"}}\n'
    )
    folder = _folder(tmp_path / "site", {"rule-set.yaml": about, "limits.yaml": own})
    told = _words("rules", "limits", "--rules", folder)
    assert f"approved by Wren [vet] on 2026-12-01: {BRACKETS}" in told


def test_the_title_of_a_rule(tmp_path: Path) -> None:
    folder = _changed(
        tmp_path / "site", "oxygen.yaml", "title: Saturation is low", f'title: "{BRACKETS}"'
    )
    assert BRACKETS in _words("rules", "check", folder)


def test_what_an_advisory_says(tmp_path: Path) -> None:
    says = f'"Saturation is {{spo2}}: {BRACKETS}."'
    old = '"Saturation is {spo2}, under {limit spo2_low}."'
    folder = _changed(tmp_path / "site", "oxygen.yaml", old, says)
    recording = tmp_path / "low.jsonl"
    write_recording(recording, [_low(second) for second in range(40)])
    told = _words("replay", recording, "--rules", folder, "--out", tmp_path / "out")
    assert f"Saturation is 92 %: {BRACKETS}. [spo2-low]" in told


def _low(second: int) -> Line:
    at_ms = START_MS + 1000 * second
    body = {"schema": 1, "device": "monitor", "epoch": "e", "seq": second, "at": to_text(at_ms)}
    values = {"spo2": {"value": 92.0, "unit": "%"}}
    return Line(at_ms + 20, "tidewarden/1/recovery/bay-1/numerics", {**body, "values": values})
