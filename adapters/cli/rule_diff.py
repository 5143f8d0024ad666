"""`tidewarden rules diff`: what differs between two rule sets, in words and in what they say."""

from __future__ import annotations

import json
from itertools import groupby
from pathlib import Path
from typing import Any

import click
from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from adapters.cli.behaviour_view import behaviour_body, print_behaviour
from adapters.cli.failures import bad_input
from adapters.rule_activation import open_ledger
from adapters.rule_behaviour import Behaviour, behaviour
from adapters.rule_files import LoadedRules
from adapters.rule_releases import find
from rules.changes import Change
from rules.difference import asked_step, difference, next_version
from rules.model import RuleSet


@click.command("diff")
@click.argument("before", metavar="A")
@click.argument("after", metavar="B")
@click.option(
    "--on",
    "recordings",
    multiple=True,
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="A recording or a store (.sqlite) to hold both against; may be given more than once.",
)
@click.option("--store", type=click.Path(path_type=Path), help="Also look for A and B in here.")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def diff_command(
    *, before: str, after: str, recordings: tuple[Path, ...], store: Path | None, as_json: bool
) -> None:
    """Show what changes from rule set A to rule set B (NAME@VERSION, or folders).

    In words, clause by clause; and with --on in what they say of the same readings: what newly
    appears, what is gone, what comes earlier or later.
    """
    with bad_input():
        one, other = _both(before, after, store)
        changes = difference(one.rule_set, other.rule_set)
        found = behaviour(recordings, one, other) if recordings else None
    if as_json:
        body = _body(one.rule_set, other.rule_set, changes, found)
        click.echo(json.dumps(body, ensure_ascii=False, indent=2))
        return
    console = Console(highlight=False)
    _print_changes(console, one.rule_set, other.rule_set, changes)
    if found is not None:
        console.print()
        print_behaviour(console, found, one.rule_set.spec, other.rule_set.spec)


def _both(before: str, after: str, store: Path | None) -> tuple[LoadedRules, LoadedRules]:
    if store is None:
        return find(before, None), find(after, None)
    with open_ledger(store) as ledger:
        return find(before, ledger), find(after, ledger)


def _print_changes(
    console: Console, before: RuleSet, after: RuleSet, changes: list[Change]
) -> None:
    console.print(Text(f"{before.spec} -> {after.spec}", style="bold"))
    if not changes:
        same = before.sha256 == after.sha256
        words = "The very same files." if same else "No difference in meaning: layout or comments."
        console.print(words)
        return
    for (part, subject), group in groupby(changes, key=lambda c: (c.part, _of(c))):
        console.print(Text(f"\n{part} {subject}", style="bold"))
        for change in group:
            _print_change(console, change)
    step = asked_step(changes)
    if step is not None:
        fitting = next_version(before.version, step)
        many = len(changes)
        count = "1 change; it asks" if many == 1 else f"{many} changes; they ask"
        console.print(f"\n{count} for a {step.words} step: {fitting}.", style="dim")


def _of(change: Change) -> str:
    """Of a limit without for whom."""
    return change.subject.split(" for ")[0] if change.part == "limit" else change.subject


def _print_change(console: Console, change: Change) -> None:
    field = change.field
    if change.part == "limit" and change.subject != _of(change):
        whom = change.subject.removeprefix(f"{_of(change)} ")
        field = whom if field == "value" else f"{whom}, {field}"
    head = f"{field}: " if field else ""
    short = len(head) + len(change.before or "") + len(change.after or "") < 90
    if change.before is None:
        lines = [f"{head}added: {change.after}"]
    elif change.after is None:
        lines = [f"{head}removed: {change.before}"]
    elif short:
        lines = [f"{head}{change.before} -> {change.after}"]
    else:
        lines = [head.strip(), f"  was {change.before}", f"  now {change.after}"]
    for line in lines:
        words = line.lstrip()
        console.print(Padding(Text(words), (0, 0, 0, 2 + len(line) - len(words))))


def _body(
    before: RuleSet, after: RuleSet, changes: list[Change], found: Behaviour | None
) -> dict[str, Any]:
    step = asked_step(changes)
    return {
        "before": {"rule_set": before.spec, "sha256": before.sha256},
        "after": {"rule_set": after.spec, "sha256": after.sha256},
        "step": None if step is None else step.words,
        "fitting_version": None if step is None else next_version(before.version, step),
        "changes": [
            {"part": c.part, "subject": c.subject, "field": c.field, "before": c.before,
             "after": c.after, "words": c.words, "step": c.step.words}
            for c in changes
        ],
        "behaviour": None if found is None else behaviour_body(found),
    }  # fmt: skip
