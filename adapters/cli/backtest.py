"""`tidewarden backtest`: rule sets on many recordings and stores, against what was true."""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import click
from rich.console import Console
from rich.table import Table

from adapters.backtest.backtest import run_backtest, tasks_of
from adapters.backtest.files import judge_all, write_backtest
from adapters.backtest.labels import labels_for
from adapters.backtest.sources import find_sources
from adapters.backtest.spread import Workers, ready
from adapters.cli.failures import bad_input, written_to
from adapters.cli.screen import screen
from adapters.cli.work import jobs_option, kinds_option, progress
from adapters.evaluation import statistics
from adapters.evaluation.report.tables import number, percent, plain
from adapters.rule_files import DEFAULT_RULES, load_rules

INCOMPLETE: Final = 1
_S_PER_H: Final = 3600.0
_SHOWN: Final = 12


@dataclass(frozen=True, slots=True)
class _Options:
    paths: tuple[Path, ...]
    rules_specs: tuple[str, ...]
    labels: Path | None
    kinds: Path | None
    jobs: int
    scheduler: str | None
    out: Path


@click.command(short_help="Hold rule sets against many recordings and stores.")
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--rules",
    "rules_specs",
    multiple=True,
    default=(DEFAULT_RULES,),
    show_default=True,
    help="Rule set: NAME@VERSION of the library, or a folder. Given more than once, the others "
    "are compared with the first.",
)
@click.option(
    "--labels",
    type=click.Path(path_type=Path, file_okay=False, exists=True),
    help="Folder with what was true, as NAME.labels.yaml; without it beside the sources.",
)
@kinds_option
@jobs_option
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Dask scheduler (tcp://HOST:8786) whose workers do it, instead of --jobs.",
)
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for backtest.html, backtest.json, advisories.csv, and what was watched already.",
)
def backtest(**given: Any) -> None:
    """Hold rule sets against PATHS: recordings, stores, and folders of them.

    How much would have been said, how often it was right, how soon, and what was missed, as far as
    labels say what was true. Cut off, it goes on where it ended; a night that is added later is
    watched alone. Ends with 1 when something could not be read.
    """
    options = _Options(**given)
    console = screen()
    workers = Workers(options.jobs, options.scheduler)
    with bad_input(), written_to(options.out):
        statistics.ready()
        ready(workers)
        rules = [load_rules(spec) for spec in options.rules_specs]
        sources = find_sources(options.paths)
        labels = labels_for(sources.found, options.labels)
        options.out.mkdir(parents=True, exist_ok=True)
        began_s = time.monotonic()
        total = len(tasks_of(sources.found, rules))
        bar = progress(console, "recordings and parts of stores", total)
        found = run_backtest(sources, rules, workers, bar, options.out)
        took_s = time.monotonic() - began_s
        verdicts = judge_all(found, labels, options.kinds)
        summary = write_backtest(found, verdicts, len(labels), options.out)
    _print(console, summary, _pace(summary, took_s, found.known, total), options.out)
    if summary["sources"]["unread"] or any(one["failed"] for one in summary["rule_sets"]):
        sys.exit(INCOMPLETE)


def _pace(summary: dict[str, Any], took_s: float, known: int, total: int) -> str:
    """How long it took; how many times as fast as life only when all was done in this run."""
    if known:
        return (
            f"{known} of {total} parts were watched by an earlier run, the rest in {took_s:.0f} s"
        )
    lived_s = summary["sources"]["patient_hours"] * _S_PER_H * len(summary["rule_sets"])
    return f"In {took_s:.0f} s, {lived_s / took_s:.0f} times as fast as the patients lived"


def _print(console: Console, summary: dict[str, Any], pace: str, out: Path) -> None:
    sources = summary["sources"]
    console.print(
        f"{sources['watched']} recordings and stores ({sources['labelled']} with labels), "
        f"{sources['patient_hours']:.2f} patient hours, {sources['messages']} messages. {pace}."
    )
    table = Table(box=None, header_style="dim", padding=(0, 1))
    sets = summary["rule_sets"]
    for heading in ("", *(f"{one['name']}@{one['version']}" for one in sets)):
        table.add_column(heading, overflow="fold")
    measured = [_measured(one) for one in sets]
    for name in measured[0]:
        table.add_row(name, *(values[name] for values in measured))
    console.print(table)
    _print_missed(console, summary)
    for one in sets:
        for error, count in one["failed"].items():
            words = f"{count} looks of {one['version']} at places failed ({error}): a fault of ours"
            console.print(words, style="bold red")
    for row in sources["unread"]:
        console.print(f"Not read, or not all of it: {row['name']}: {row['why']}", style="yellow")
    console.print(f"Files in {out}.", style="dim")
    console.print(summary["notice"], style="dim")


def _measured(one: dict[str, Any]) -> dict[str, str]:
    """What the screen says of one rule set; the files say more."""
    overall, load = one["overall"], one["burden"]
    rows = {
        "advisories": str(overall["spoken"]),
        "  per patient hour": number(overall["spoken_per_hour"]),
        "  high, medium, low": ", ".join(str(count) for count in overall["by_priority"].values()),
        "in 10 min of a ward, most": str(load["most_in_10_min"]),
        "floods, time in flood": f"{load['floods']}, {plain(load['flood_percent'], ' %')}",
    }
    if overall["episodes"] or overall["known_hours"]:
        rows |= {
            "told of what had to be": percent(overall["noticed"]),
            "  delay, median, s": number(overall["delay_s"], 1),
            "  urgent at high priority": percent(overall["urgent_told"]),
            "right (PPV)": percent(overall["predictive_value"]),
            "false ones per hour": number(overall["false_per_hour"]),
            "nobody knows of": str(overall["not_known"]),
        }
    return rows


def _print_missed(console: Console, summary: dict[str, Any]) -> None:
    for one in summary["rule_sets"]:
        for row in one["missed"][:_SHOWN]:
            console.print(
                f"missed by {one['version']}: {', '.join(row['what'])} in {row['source']} at "
                f"{row['place']}, due {row['due_at']}"
            )
        if len(one["missed"]) > _SHOWN:
            console.print(f"  and {len(one['missed']) - _SHOWN} more, in the report")
