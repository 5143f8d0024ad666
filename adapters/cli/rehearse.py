"""`tidewarden rehearse`: scenarios against a rule set; exit 1 when one is not as expected."""

from __future__ import annotations

import json
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click
from rich.console import Console

from adapters.cli.failures import bad_input, written_to
from adapters.cli.rehearse_view import print_rehearsal
from adapters.cli.rehearse_watch import watch_rules
from adapters.cli.screen import screen
from adapters.cli.words import counted
from adapters.cli.work import jobs_option, progress, rules_option
from adapters.rehearsal.editing import Desk
from adapters.rehearsal.files import Found, find_scenarios
from adapters.rehearsal.pool import Rehearsal, rehearse_all
from adapters.rehearsal.proposals import write_proposals
from adapters.rehearsal.releases import chosen
from adapters.rehearsal.report import Report, json_body, junit_text, write_page
from adapters.rehearsal.sentences import FORMS, GAPS
from adapters.rule_files import LoadedRules
from rules.model import RuleSet
from rules.notice import NOTICE

FAILED = 1


@dataclass(frozen=True, slots=True)
class _Options:
    paths: tuple[Path, ...]
    rules_spec: str
    store: Path | None
    only: str | None
    jobs: int
    changes: bool
    propose: Path | None
    json_path: Path | None
    junit_path: Path | None
    html_path: Path | None
    require_clauses: float | None
    require_noticed: float | None
    watch: bool
    sentences: bool


_FILE = click.Path(path_type=Path, dir_okay=False)
_SHARE = click.FloatRange(0.0, 100.0)


@click.command(short_help="Rehearse a rule set on scenarios.")
@click.argument("paths", nargs=-1, type=click.Path(path_type=Path))
@rules_option
@click.option(
    "--store",
    type=click.Path(path_type=Path),
    help="Folder of a store: take a version released into it, with the scenarios it keeps.",
)
@click.option("--only", metavar="TEXT", help="Only scenarios that have this in their name.")
@jobs_option
@click.option(
    "--changes",
    is_flag=True,
    help="Also change the rules a little, again and again, and list what no scenario notices.",
)
@click.option(
    "--propose",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for scenarios that would notice it; read them before you keep them.",
)
@click.option("--json", "json_path", type=_FILE, help="Write everything as JSON.")
@click.option("--junit", "junit_path", type=_FILE, help="Write JUnit XML, for a build server.")
@click.option(
    "--html", "html_path", type=_FILE, help="Write a report to read and print, with pictures."
)
@click.option(
    "--require-clauses",
    type=_SHARE,
    help="Fail when less of the clauses (%) were seen true, false and deciding.",
)
@click.option(
    "--require-noticed",
    type=_SHARE,
    help="Fail when less of the moved limits and times (%) were noticed.",
)
@click.option(
    "--watch",
    is_flag=True,
    help="Go on, and after each save run again what depends on it. Only --only and --jobs go "
    "with it.",
)
@click.option("--sentences", is_flag=True, help="List what may happen to a simulated animal.")
def rehearse(**given: Any) -> None:
    """Run the scenarios in PATH (files or folders) as the live service would.

    Without PATH those that lie beside the rule set. Ends with 1 when one is not as expected.
    """
    options = _Options(**given)
    if options.sentences:
        _print_sentences()
        return
    console = screen()
    if options.watch:
        _refuse_beside_watch(options)
        with bad_input():
            desk = Desk(options.rules_spec, options.paths, options.only, options.jobs)
            watch_rules(desk, console)
        return
    with bad_input(), chosen(options.rules_spec, options.store) as what:
        found = find_scenarios(what.spec, what.rules, what.paths(options.paths))
        well = _rehearse(options, what.rules, found.only(options.only), console)
    if not well:
        sys.exit(FAILED)


def _rehearse(options: _Options, rules: LoadedRules, found: Found, console: Console) -> bool:
    """Whether everything is as expected, and as much was tested as is required."""
    began_s = time.monotonic()
    rehearsal = _rehearsed(options, rules, found, console)
    took_s = time.monotonic() - began_s
    if options.propose is not None:
        write_proposals(rules, found, rehearsal, options.propose, console.print)
    whole = options.require_clauses is not None or rehearsal.changes.total() > 0
    print_rehearsal(console, rules.rule_set, rehearsal, took_s, clauses=whole)
    if found.left_out:
        console.print(f"Not run, as they are of rules left out: {counted(found.left_out)}.")
    _write(options, rules.rule_set, rehearsal, took_s)
    console.print(NOTICE, style="dim")
    short = _short_of(options, rehearsal)
    for words in short:
        click.echo(f"tidewarden: {words}", err=True)
    return not short and all(one.passed for one in rehearsal.rehearsed)


def _refuse_beside_watch(options: _Options) -> None:
    """What is written or required at the end of a rehearsal has no place in one without an end."""
    given = {
        "--changes": options.changes or None,
        "--propose": options.propose,
        "--json": options.json_path,
        "--junit": options.junit_path,
        "--html": options.html_path,
        "--require-clauses": options.require_clauses,
        "--require-noticed": options.require_noticed,
        "--store": options.store,
    }
    wrong = [name for name, value in given.items() if value is not None]
    if wrong:
        raise click.UsageError(
            f"--watch goes without {', '.join(wrong)}: it follows what is being written until "
            "Ctrl-C; rehearse without --watch for that"
        )


def _rehearsed(options: _Options, rules: LoadedRules, found: Found, console: Console) -> Rehearsal:
    asked = (options.propose, options.require_noticed)
    changes = options.changes or any(one is not None for one in asked)
    with progress(console, "scenarios", len(found.scenarios), transient=True) as each:
        return rehearse_all(rules, found, options.jobs, each, changes=changes)


def _write(options: _Options, rule_set: RuleSet, rehearsal: Rehearsal, took_s: float) -> None:
    report = Report.of(rule_set, rehearsal, took_s)
    if options.json_path is not None:
        with written_to(options.json_path):
            text = json.dumps(json_body(report), ensure_ascii=False, indent=1) + "\n"
            options.json_path.write_text(text, "utf-8")
    if options.junit_path is not None:
        with written_to(options.junit_path):
            options.junit_path.write_text(junit_text(report), "utf-8")
    if options.html_path is not None:
        with written_to(options.html_path):
            write_page(report, options.html_path)
        click.echo(f"{options.html_path}: a report to read and print")


def _short_of(options: _Options, rehearsal: Rehearsal) -> list[str]:
    """Floors that were asked for and not reached."""
    floors = (
        ("clauses seen true, false and deciding", options.require_clauses, rehearsal.clauses),
        ("moved limits and times noticed", options.require_noticed, rehearsal.thresholds),
    )
    return [
        f"{what}: {100.0 * share.value:.1f} %, and {floor:g} % are required"
        for what, floor, share in floors
        if floor is not None and 100.0 * share.value < floor
    ]


def _print_sentences() -> None:
    click.echo("Each begins when `at 60 s` says. Those marked ~ may take their time: `over 20 s`.")
    for form in FORMS:
        click.echo(f"  {'~' if form.over else ' '} {form.text}")
    click.echo("In the gaps stands:")
    for gap, what in GAPS.items():
        click.echo(f"    {gap}: {what}")
