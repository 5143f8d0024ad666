"""`tidewarden evaluate`: a rule set on many simulated patients, against what was true."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import click
from rich.console import Console
from rich.table import Table

from adapters.cli.failures import bad_input, written_to
from adapters.cli.screen import screen
from adapters.cli.work import jobs_option, kinds_option, progress, rules_option
from adapters.evaluation.evaluate import Evaluation, Population, evaluate_all, write_evaluation
from adapters.evaluation.population import draw_case
from adapters.evaluation.report.tables import LABELS, number, percent
from adapters.evaluation.run import SIDES, Asked, record_case
from adapters.evaluation.statistics import ready

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


@click.command(short_help="Evaluate a rule set on a simulated population.")
@click.option("--cases", default=3000, show_default=True, type=click.IntRange(1, 100_000))
@click.option("--seed", default=_DEFAULT_SEED, show_default=True, help="Draws the population.")
@rules_option
@kinds_option
@jobs_option
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
    """Evaluate a rule set on a simulated population, beside the limits of a plain monitor.

    Every patient is simulated: the figures show how rules behave on a model. Cut off, it goes on
    where it ended when it is given again with the same --out.
    """
    options = _Options(**given)
    if options.case_number is not None:
        _record(options.seed, options.case_number, options.recording)
        return
    if options.out is None:
        raise click.UsageError("give --out DIR, or --case NUMBER with --recording FILE")
    if options.recording is not None:
        raise click.UsageError("--recording goes with --case NUMBER")
    console = screen()
    with bad_input(), written_to(options.out):
        options.out.mkdir(parents=True, exist_ok=True)
        ready()
        evaluation = _evaluated(options, options.out, console)
        summary = write_evaluation(evaluation, options.out)
    _print(console, summary, options.out)


def _evaluated(options: _Options, out: Path, console: Console) -> Evaluation:
    asked = Asked(options.rules_spec, options.kinds)
    return evaluate_all(
        asked,
        Population(options.seed, range(options.cases), options.jobs),
        progress(console, "simulated cases", options.cases),
        out,
        options.recordings,
    )


def _record(seed: int, number: int, recording: Path | None) -> None:
    if recording is None:
        raise click.UsageError("--case needs --recording FILE")
    with bad_input(), written_to(recording):
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


def _print(console: Console, summary: dict[str, Any], out: Path) -> None:
    table = Table(box=None, header_style="dim", padding=(0, 1))
    for heading in ("", *(LABELS[side] for side in SIDES)):
        table.add_column(heading)
    measured = [_measured(summary["sides"][side]["overall"]) for side in SIDES]
    for name in measured[0]:
        table.add_row(name, *(values[name] for values in measured))
    console.print(table)
    console.print(
        "In brackets the ends of 95 % intervals. A fault is noticed by the first right advisory, "
        "called by name by the first that speaks of that very fault. /h: per hour of one patient.",
        style="dim",
    )
    console.print(summary["simulated"], style="bold")
    console.print(f"Files in {out}.", style="dim")
    console.print(summary["notice"], style="dim")


def _measured(row: dict[str, Any]) -> dict[str, str]:
    """What the screen says of one side; the files say more."""
    return {
        "faults noticed": percent(row["noticed"]),
        "called by name": percent(row["named"]),
        "right advisories": percent(row["predictive_value"]),
        "false ones, /h": number(row["false_per_hour"]),
        "delay, median, s": number(row["delay_s"], 1),
    }
