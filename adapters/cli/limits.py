"""`tidewarden rules limits`: the limits of one patient, each with where its value came from."""

from __future__ import annotations

import json
from typing import Any

import click
from rich.padding import Padding
from rich.text import Text

from adapters.cli.failures import bad_input
from adapters.cli.screen import screen
from adapters.patient_limits import MASS_KG, limit_rows, nearest_species
from adapters.rule_files import DEFAULT_RULES, load_rules
from rules.limits import Confidence, PatientContext
from rules.vocabulary import CLASSES, PHASES
from rules.vocabulary.species import class_of, names_of
from rules.wording import unit_words

_SURE = {
    Confidence.PUBLISHED: "published",
    Confidence.COMMON_PRACTICE: "common practice: approve locally",
    Confidence.MEMORY: "from memory: approve locally",
}


@click.command("limits", short_help="Show every limit for one patient, and where it came from.")
@click.option("--species", help="Species, as the patient message names it.")
@click.option(
    "--class", "class_", type=click.Choice(CLASSES), help="Needed where the species is not known."
)
@click.option("--mass", type=click.FloatRange(*MASS_KG), help="Body mass in kg.")
@click.option("--phase", type=click.Choice(PHASES), default="maintenance", show_default=True)
@click.option(
    "--rules", "spec", default=DEFAULT_RULES, show_default=True, help="NAME@VERSION, or a folder."
)
@click.option("--all", "show_all", is_flag=True, help="Also show what was passed over, and why.")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def limits(
    *, species: str | None, class_: str | None, mass: float | None, phase: str, spec: str,
    show_all: bool, as_json: bool,
) -> None:  # fmt: skip
    """Show every limit for one patient: value, unit, and where it came from."""
    known = class_of(species) if species else None
    if class_ is None and known is None and species is not None:
        also = f"{hint} Else give" if (hint := nearest_species(species)) else ": give"
        raise click.UsageError(f"species {species!r} is not known here{also} its --class too")
    context = PatientContext(class_ or known, species, mass, phase)
    with bad_input():
        rule_set = load_rules(spec).rule_set
    rows = limit_rows(rule_set, context)
    if as_json:
        click.echo(json.dumps(rows, ensure_ascii=False, indent=2))
        return
    _print(rows, context, rule_set.spec, show_all=show_all)


def _print(
    rows: list[dict[str, Any]], context: PatientContext, rules: str, *, show_all: bool
) -> None:
    console = screen()
    console.print(f"{_whom(context)}\n", style="bold")
    for row in rows:
        words = [_value(row["value"], row["unit"]), _for_whom(row), _sure(row)]
        told = ", ".join(word for word in words if word)
        console.print(Text.assemble((row["limit"], "bold"), f"  {told}"))
        for line in (row["meaning"], _because(row), row["note"]):
            if line:
                console.print(Padding(Text(line, style="dim"), (0, 0, 0, 4)))
        for other in row["passed_over"] if show_all else ():
            value = _value(other["value"], row["unit"])
            line = f"passed over: {value} for {other['written_for']}"
            console.print(Padding(Text(line, style="dim"), (0, 0, 0, 4)))
    console.print(
        f"\n{rules}. The most specific value counts: species, then its kind, class, mass, phase. "
        "Decision support only; a licensed clinician approves limits locally.",
        style="dim",
    )


def _for_whom(row: dict[str, Any]) -> str:
    return f"for {row['written_for']}" if row["written_for"] else ""


def _because(row: dict[str, Any]) -> str:
    source = f"source: {row['source']}" if row["source"] else ""
    return "; ".join(words for words in (row["absent"], source) if words)


def _value(value: float | None, unit: str) -> str:
    return "none" if value is None else f"{value:g} {unit_words(unit)}".strip()


def _sure(row: dict[str, Any]) -> str:
    if row["approved"]:
        approval = row["approved"]
        return f"approved by {approval['by']} on {approval['on']}: {approval['why']}"
    return _SURE[Confidence(row["confidence"])] if row["confidence"] else ""


def _whom(context: PatientContext) -> str:
    names = names_of(context.species)
    kind = f" (a {names[1]})" if len(names) > 1 else ""
    mass = "" if context.mass_kg is None else f", {context.mass_kg:g} kg"
    whom = f"{context.species}{kind}" if context.species else "any species"
    return f"Limits for {whom}, {context.class_ or 'class not known'}{mass}, {context.phase}"
