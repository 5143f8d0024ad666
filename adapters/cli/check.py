"""`tidewarden check`: whether this machine has what Tidewarden needs."""

from __future__ import annotations

import platform
import shutil
import sqlite3
import sys
from pathlib import Path

import click

from adapters.app import software
from adapters.cli.failures import bad_input
from adapters.config import Config, read_config
from adapters.rule_files import load_rules
from adapters.tcp import can_connect
from rules.engine import build_engine


@click.command(short_help="Tell the rule engine in use, versions, whether the broker answers.")
@click.option(
    "--config",
    "config_path",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Also check this configuration and reach its broker.",
)
def check(config_path: Path | None) -> None:
    """Name the rule engine in use and what else Tidewarden rests on; exit 1 if something fails."""
    with bad_input():
        config = read_config(config_path) if config_path is not None else Config()
        loaded = load_rules(config.rules.use)
        engine = build_engine(loaded.rule_set)
    rule_set = loaded.rule_set
    click.echo(f"software     {software()}")
    click.echo(f"rule engine  {engine.name}{_why_plain(engine.name)}")
    click.echo(
        f"rules        {rule_set.spec}, {len(rule_set.rules)} rules, SHA-256 {rule_set.sha256[:12]}"
    )
    click.echo(f"SQLite       {sqlite3.sqlite_version}")
    click.echo(
        f"Mosquitto    {shutil.which('mosquitto') or 'not on this machine (demo needs none)'}"
    )
    if config_path is None:
        return
    broker = config.broker
    reached = can_connect(broker.host, broker.port)
    click.echo(f"store        {config.store.directory.resolve()}")
    click.echo(
        f"broker       {broker.host}:{broker.port} {'answers' if reached else 'DOES NOT ANSWER'}"
    )
    if not reached:
        click.echo("start the broker, or correct broker.host and broker.port", err=True)
        sys.exit(1)


def _why_plain(name: str) -> str:
    if name != "plain":
        return ""
    python = platform.python_version()
    if sys.version_info >= (3, 13):
        return f" (durable-rules does not load on Python {python}; 3.11 and 3.12 have it)"
    return " (durable-rules is not installed; it needs a C compiler to build)"
