"""`tidewarden rules diff`: what differs between two rule sets, in words and in what they say."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click
from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from adapters.cli.behaviour_view import compared_body, print_behaviour, print_left_out
from adapters.cli.failures import bad_input
from adapters.cli.screen import screen
from adapters.cli.work import bar_beside
from adapters.rehearsal.compare import scenario_behaviour
from adapters.rehearsal.releases import chosen
from adapters.rule_behaviour import Compared, compared
from rules.changes import Change, by_subject
from rules.difference import asked_step, difference, next_version
from rules.model import RuleSet
from rules.notice import NOTICE


@click.command("diff", short_help="Show what changes from one rule set to another.")
@click.argument("before", metavar="A")
@click.argument("after", metavar="B")
@click.option(
    "--on",
    "recordings",
    multiple=True,
    type=click.Path(path_type=Path, exists=True),
    help="A recording, a store (.sqlite), or a folder of such, however deep, to hold both against; "
    "may be given more than once.",
)
@click.option(
    "--scenarios",
    multiple=True,
    metavar="A|B|PATH",
    help="Scenarios to hold both against: those of A or B, or a file or folder.",
)
@click.option("--store", type=click.Path(path_type=Path), help="Also look for A and B in here.")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def diff_command(
    *,
    before: str,
    after: str,
    recordings: tuple[Path, ...],
    scenarios: tuple[str, ...],
    store: Path | None,
    as_json: bool,
) -> None:
    """Show what changes from rule set A to rule set B (NAME@VERSION, or folders).

    In words, clause by clause; and with --on or --scenarios in what they say of the same readings:
    what newly appears, what is gone, what comes earlier or later; over all of them together, and
    one by one.
    """
    with bad_input(), chosen(before, store) as a, chosen(after, store) as b:
        one, other = a.rules, b.rules
        changes = difference(one.rule_set, other.rule_set)
        found = Compared({})
        if recordings:
            found = compared(recordings, one, other, bar_beside("recordings and stores"))
            print_left_out(found)
        for where in scenarios:
            more = scenario_behaviour(where, a, b, bar_beside("scenarios"))
            found = found.with_more(Compared({f"scenarios of {where}": more}))
    if as_json:
        body = _body(one.rule_set, other.rule_set, changes, found)
        click.echo(json.dumps(body, ensure_ascii=False, indent=2))
        return
    console = screen()
    _print_changes(console, one.rule_set, other.rule_set, changes)
    if found.each:
        console.print()
        print_behaviour(console, found, one.rule_set.spec, other.rule_set.spec)
    console.print(f"\n{NOTICE}", style="dim")


def _print_changes(
    console: Console, before: RuleSet, after: RuleSet, changes: list[Change]
) -> None:
    console.print(Text(f"{before.spec} -> {after.spec}", style="bold"))
    if not changes:
        same = before.sha256 == after.sha256
        words = "The very same files." if same else "No difference in meaning: layout or comments."
        console.print(words)
        return
    for part, subject, group in by_subject(changes):
        console.print(Text(f"\n{part} {subject}", style="bold"))
        for change in group:
            _print_change(console, change)
    step = asked_step(changes)
    if step is not None:
        fitting = next_version(before.version, step)
        many = len(changes)
        count = "1 change; it asks" if many == 1 else f"{many} changes; they ask"
        console.print(f"\n{count} for a {step.words} step: {fitting}.", style="dim")


def _print_change(console: Console, change: Change) -> None:
    head = f"{change.where}: " if change.where else ""
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
    before: RuleSet, after: RuleSet, changes: list[Change], found: Compared
) -> dict[str, Any]:
    step = asked_step(changes)
    return {
        "notice": NOTICE,
        "before": {"rule_set": before.spec, "sha256": before.sha256},
        "after": {"rule_set": after.spec, "sha256": after.sha256},
        "step": None if step is None else step.words,
        "fitting_version": None if step is None else next_version(before.version, step),
        "changes": [
            {"part": c.part, "subject": c.subject, "field": c.field, "before": c.before,
             "after": c.after, "words": c.words, "step": c.step.words}
            for c in changes
        ],
        "behaviour": compared_body(found) if found.each else None,
    }  # fmt: skip
