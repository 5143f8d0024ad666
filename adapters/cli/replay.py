"""`tidewarden replay`: recordings or stores through the code that runs live."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import click
from rich.table import Table

from adapters.cli.failures import BAD_INPUT, bad_input, written_to
from adapters.cli.screen import screen
from adapters.cli.words import priority_text
from adapters.plots import Recorded, ready, write_plots
from adapters.replay import Replayed, replay_recordings, replay_store, write_files
from adapters.rule_files import DEFAULT_RULES, LoadedRules, load_rules


@click.command(short_help="Replay recordings, or a store, offline.")
@click.argument("recordings", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for breaths, capnogram, their details, efforts, advisories and summary.",
)
@click.option(
    "--rules",
    "rules_spec",
    help="Rule set: NAME@VERSION of the library, or a folder. Without it "
    f"{DEFAULT_RULES}; for a store, the rules that each of its runs decided by.",
)
@click.option(
    "--plots",
    is_flag=True,
    help="Also draw one page per place into OUT/plots: signals, breaths, key facts, advisories. "
    "Needs the extra: pip install 'tidewarden[plots]'.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the summary as JSON.")
def replay(
    recordings: tuple[Path, ...],
    out: Path,
    rules_spec: str | None,
    *,
    plots: bool,
    as_json: bool,
) -> None:
    """Replay RECORDINGS (.jsonl or .jsonl.gz), or one store (.sqlite), offline.

    Several recordings are merged by time of receipt. A store gives the very advisories that the
    live service gave, ids and texts included.
    """
    with bad_input():
        if plots:
            ready()
        recorded = Recorded() if plots else None
        rules = load_rules(rules_spec) if rules_spec else None
        result = _replayed(recordings, rules, recorded)
    with written_to(out):
        summary = write_files(result, out)
        if recorded is not None:
            write_plots(result, recorded, out / "plots")
    if as_json:
        click.echo(json.dumps(summary, ensure_ascii=False, indent=2))
    else:
        _print(summary, out)


def _replayed(
    recordings: tuple[Path, ...], rules: LoadedRules | None, recorded: Recorded | None
) -> Replayed:
    stores = [path for path in recordings if path.suffix == ".sqlite"]
    if not stores:
        return replay_recordings(recordings, rules or load_rules(DEFAULT_RULES), recorded)
    if len(recordings) > 1:
        click.echo("tidewarden: a store is replayed alone; give one .sqlite file", err=True)
        sys.exit(BAD_INPUT)
    return replay_store(stores[0], rules, recorded)


def _print(summary: dict[str, Any], out: Path) -> None:
    console = screen()
    messages = summary["messages"]
    rule_set = summary["rule_set"]
    console.print(
        f"{messages['accepted']} messages over {summary['duration_s'] or 0:.0f} s: "
        f"{summary['breaths']} breaths in pressure, {summary['co2_breaths']} in CO2."
    )
    for reason, count in summary["refused_because"].items():
        console.print(f"  refused {count} x: {reason}", style="yellow")
    if summary["advisories"]:
        table = Table(box=None, header_style="dim", padding=(0, 1))
        for heading in ("after", "priority", "place", "advisory"):
            table.add_column(heading, no_wrap=heading != "advisory")
        for item in summary["advisories"]:
            table.add_row(
                f"{item['raised_s']:.1f} s",
                priority_text(item["priority"]),
                item["place"],
                f"{item['says']}{_again(item)}{_explained(item)}  [{item['rule']}]",
            )
        console.print(table)
    else:
        nothing = "" if messages["accepted"] else " There was nothing to judge."
        console.print(f"No advisory was raised.{nothing}")
    console.print(
        f"Rules {rule_set['name']}@{rule_set['version']} ({rule_set['sha256'][:12]}), "
        f"engine {summary['engine']}. Files in {out}.",
        style="dim",
    )
    console.print(summary["notice"], style="dim")


def _again(item: dict[str, Any]) -> str:
    back = ", ".join(f"{after_s:.1f} s" for after_s in item["returned_s"])
    return f"  (back after {back})" if back else ""


def _explained(item: dict[str, Any]) -> str:
    """It did not speak: something more urgent or nearer the cause explained it when it came."""
    return f"  (quiet: {item['explained_by']} explains it)" if item["explained_by"] else ""
