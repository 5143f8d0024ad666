"""`tidewarden scenario`: scenarios made from life."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from adapters.cli.failures import bad_input, written_to
from adapters.cli.store_options import store_file_option
from adapters.rehearsal.from_store import Wanted, scenario_from_store
from adapters.rule_files import DEFAULT_RULES, load_rules
from adapters.sqlite.store import store_file
from rules.notice import NOTICE
from rules.reading import nearest


@dataclass(frozen=True, slots=True)
class _Options:
    place: str
    store: Path
    from_: str
    to: str
    name: str
    out: Path
    rule_ids: tuple[str, ...]
    lead_min: float
    spec: str

    def wanted(self) -> Wanted:
        lead_s = 60.0 * self.lead_min
        return Wanted(self.place, self.from_, self.to, self.name, lead_s, self.rule_ids)


@click.group(short_help="Make scenarios from what a service has kept.")
def scenario() -> None:
    """Make scenarios from what a service has kept."""


@scenario.command("from-store", short_help="Make a scenario of a stretch of a store.")
@click.argument("place")
@store_file_option
@click.option(
    "--from",
    "from_",
    required=True,
    help="Its beginning: an instant (RFC 3339, UTC), or a time from that of the store: 95s.",
)
@click.option("--to", required=True, help="Its end, in the same way.")
@click.option(
    "--name", required=True, help="What happened, in words: the name of the scenario and its files."
)
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for the scenario and its recording.",
)
@click.option(
    "--never",
    "rule_ids",
    multiple=True,
    metavar="RULE",
    help="A rule that should not have spoken; may be given several times. Without it the scenario "
    "expects what the rules say of it now, for you to change.",
)
@click.option(
    "--lead",
    "lead_min",
    default=10.0,
    show_default=True,
    type=click.FloatRange(0.0, 120.0),
    help="How many minutes before it come along, to learn what is usual.",
)
@click.option("--rules", "spec", default=DEFAULT_RULES, show_default=True, help="Rules to name.")
def from_store(**given: Any) -> None:
    """Make a scenario of what was received from PLACE (WARD/PLACE) in a stretch of a store.

    Names, devices, places, dates and what people wrote do not come along; signals, settings and
    the animal's species, mass and phase do. A false alarm of last night becomes a test.
    """
    options = _Options(**given)
    with bad_input(), written_to(options.out):
        rules = load_rules(options.spec)
        known = [rule.id for rule in rules.rule_set.rules]
        for rule in options.rule_ids:
            if rule not in known:
                raise click.UsageError(f'--never: "{rule}" is not a rule{nearest(rule, known)}')
        path = scenario_from_store(store_file(options.store), options.wanted(), rules, options.out)
    click.echo(f"{path}: read it, then run: tidewarden rehearse {path}")
    click.echo(NOTICE)
