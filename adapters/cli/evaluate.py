"""`tidewarden evaluate`: a rule set on many simulated patients, against what was true."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import click
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from adapters.cli.failures import bad_input
from adapters.evaluation.evaluate import Evaluation, Population, evaluate_all, write_evaluation
from adapters.evaluation.population import draw_case
from adapters.evaluation.report.tables import number, percent
from adapters.evaluation.run import SIDES, Asked, record_case
from adapters.evaluation.statistics import ready
from adapters.rule_files import DEFAULT_RULES

_DEFAULT_SEED: Final = 20


@dataclass(frozen=True, slots=True)
class _Options:
    cases: int
    seed: int
    rules_spec: str
    kinds: Path | None
    jobs: int
    recordings: tuple[Path, ...]
    out: Path | None
    case_number: int | None
    recording: Path | None


@click.command()
@click.option("--cases", default=3000, show_default=True, type=click.IntRange(1, 100_000))
@click.option("--seed", default=_DEFAULT_SEED, show_default=True, help="Draws the population.")
@click.option(
    "--rules",
    "rules_spec",
    default=DEFAULT_RULES,
    show_default=True,
    help="Rule set: NAME@VERSION of the library, or a folder.",
)
@click.option(
    "--kinds",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Which conditions each rule speaks of, for rules that Tidewarden does not know.",
)
@click.option(
    "--jobs",
    default=lambda: min(2, os.cpu_count() or 1),
    show_default="2",
    type=click.IntRange(1, 256),
    help="Worker processes. The result does not depend on it.",
)
@click.option(
    "--recordings",
    multiple=True,
    type=click.Path(path_type=Path, dir_okay=False),
    help="Recordings to run as well; may be given several times.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for evaluation.json, evaluation.html and cases.csv.",
)
@click.option("--case", "case_number", type=click.IntRange(0), help="Only this case, to look at.")
@click.option(
    "--recording",
    type=click.Path(path_type=Path, dir_okay=False),
    help="With --case: where to write it as a recording for `tidewarden replay`.",
)
def evaluate(**given: Any) -> None:
    """Evaluate a rule set on a simulated population, beside the fixed limits of a plain monitor.

    Every patient is simulated: the figures show how rules behave on a model.
    """
    options = _Options(**given)
    if options.case_number is not None:
        _record(options.seed, options.case_number, options.recording)
        return
    if options.out is None:
        raise click.UsageError("give --out DIR, or --case NUMBER with --recording FILE")
    if options.recording is not None:
        raise click.UsageError("--recording goes with --case NUMBER")
    console = Console()
    with bad_input():
        ready()
        evaluation = _evaluated(options, console)
    summary = write_evaluation(evaluation, options.out)
    _print(console, summary, options.out)


def _evaluated(options: _Options, console: Console) -> Evaluation:
    asked = Asked(options.rules_spec, options.kinds)
    with _progress(console) as progress:
        task = progress.add_task("simulated cases", total=options.cases)
        return evaluate_all(
            asked,
            Population(options.seed, range(options.cases), options.jobs),
            lambda: progress.advance(task),
            options.recordings,
        )


def _record(seed: int, number: int, recording: Path | None) -> None:
    if recording is None:
        raise click.UsageError("--case needs --recording FILE")
    with bad_input():
        case = draw_case(seed, number)
        lines = record_case(case, recording)
    fault = case.fault
    what = "no fault" if fault is None else f"{fault.id}, {fault.severity}, {fault.begins_s:g} s"
    click.echo(
        f"Case {number} (simulated): {case.animal.species.name}, {case.animal.mass_kg:g} kg; "
        f"{what}; {lines} messages in {recording}"
    )
    for one in case.happenings:
        click.echo(f"  {one.begins_s:6.1f} s  {one.id}")


def _progress(console: Console) -> Progress:
    return Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        console=console,
    )


def _print(console: Console, summary: dict[str, Any], out: Path) -> None:
    table = Table(box=None, header_style="dim", padding=(0, 1))
    for heading in ("", "noticed", "by name", "PPV", "false per hour", "delay, median"):
        table.add_column(heading)
    for side in SIDES:
        table.add_row(side, *_cells(summary["sides"][side]["overall"]))
    console.print(table)
    console.print(summary["simulated"], style="bold")
    console.print(f"Files in {out}.", style="dim", highlight=False)
    console.print(summary["notice"], style="dim")


def _cells(row: dict[str, Any]) -> Sequence[str]:
    return (
        percent(row["noticed"]),
        percent(row["named"]),
        percent(row["predictive_value"]),
        number(row["false_per_hour"]),
        f"{number(row['delay_s'], 1)} s",
    )
