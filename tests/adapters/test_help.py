"""What `--help` shows: each command in one line that is whole."""

from __future__ import annotations

import click
import pytest
from click.testing import CliRunner

from adapters.cli.main import main

COLUMNS = 80


@pytest.mark.parametrize("path", [(), ("rules",), ("rules", "trial")], ids=" ".join)
def test_each_command_has_a_summary_that_fits(path: tuple[str, ...]) -> None:
    group: click.Command = main
    for name in path:
        assert isinstance(group, click.Group)
        group = group.commands[name]
    assert isinstance(group, click.Group)
    shown = CliRunner().invoke(main, [*path, "--help"], terminal_width=COLUMNS)
    assert shown.exit_code == 0
    rows = shown.output.partition("Commands:\n")[2].partition("\n\n")[0].splitlines()
    assert [row.split()[0] for row in rows] == sorted(group.commands)
    assert all(row.endswith(".") and not row.endswith("...") for row in rows), shown.output
    assert max(map(len, rows)) < COLUMNS
