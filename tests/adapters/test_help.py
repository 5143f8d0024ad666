"""What `--help` shows: each command in one line that is whole."""

from __future__ import annotations

import subprocess
import sys

import click
import pytest
from click.testing import CliRunner

from adapters.cli.main import main

COLUMNS = 80


@pytest.mark.parametrize("path", [(), ("rules",), ("rules", "trial")], ids=" ".join)
def test_each_command_has_a_summary_that_fits(path: tuple[str, ...]) -> None:
    group: click.Command | None = main
    for name in path:
        assert isinstance(group, click.Group)
        group = group.get_command(click.Context(group), name)
    assert isinstance(group, click.Group)
    shown = CliRunner().invoke(main, [*path, "--help"], terminal_width=COLUMNS)
    assert shown.exit_code == 0
    rows = shown.output.partition("Commands:\n")[2].partition("\n\n")[0].splitlines()
    assert [row.split()[0] for row in rows] == group.list_commands(click.Context(group))
    assert all(row.endswith(".") and not row.endswith("...") for row in rows), shown.output
    assert max(map(len, rows)) < COLUMNS


def test_every_command_is_there_by_its_name() -> None:
    context = click.Context(main)
    for name in main.list_commands(context):
        command = main.get_command(context, name)
        assert command is not None
        assert command.name == name
    assert main.get_command(context, "chek") is None


def test_who_asks_for_one_command_does_not_wait_for_all() -> None:
    read = "import sys, adapters.cli.main; print('adapters.cli.backtest' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", read], capture_output=True, text=True, check=True)
    assert done.stdout == "False\n"
