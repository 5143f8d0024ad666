"""What commands share that run much work in several processes: their options, and a bar."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import click
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from adapters.bar import Bar
from adapters.cli.screen import screen
from adapters.rule_files import DEFAULT_RULES

rules_option = click.option(
    "--rules",
    "rules_spec",
    default=DEFAULT_RULES,
    show_default=True,
    help="Rule set: NAME@VERSION of the library, or a folder.",
)
kinds_option = click.option(
    "--kinds",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Which conditions each rule speaks of, for rules that Tidewarden does not know.",
)
jobs_option = click.option(
    "--jobs",
    default=lambda: min(2, os.cpu_count() or 1),
    show_default="2",
    type=click.IntRange(1, 256),
    help="Worker processes. The result does not depend on it.",
)


@contextmanager
def progress(
    console: Console, what: str, total: int, *, transient: bool = False
) -> Iterator[Callable[[], None]]:
    """A bar while it is entered; what it gives moves the bar on by one.

    One that vanishes afterwards leaves nothing where there is no terminal, not even an empty line.
    """
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
    )
    unseen = transient and not console.is_terminal
    with Progress(*columns, console=console, transient=transient, disable=unseen) as bar:
        task = bar.add_task(what, total=total)
        yield lambda: bar.advance(task)


def bar_beside(what: str) -> Bar:
    """What gives a bar for so many: on standard error, so that output stays what it is."""
    return lambda total: progress(screen(errors=True), what, total, transient=True)
