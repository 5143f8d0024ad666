"""`tidewarden rules`: what is in the library, and whether a rule set is well written."""

from __future__ import annotations

import json
from pathlib import Path

import click
from rich.table import Table

from adapters.cli.failures import bad_input, written_to
from adapters.cli.limits import limits
from adapters.cli.rule_activate import activate_command, history_command, rollback_command
from adapters.cli.rule_diff import diff_command
from adapters.cli.rule_release import release_command
from adapters.cli.rule_trial import trial
from adapters.cli.screen import screen
from adapters.cli.words import priority_text
from adapters.rule_files import DEFAULT_RULES, library, load_rules
from adapters.scenario_files import scenario_files
from rules.engine import build_engine
from rules.model import RuleSet
from rules.notice import NOTICE, with_notice
from rules.reading import nearest
from rules.review import review
from rules.schema import schemas
from rules.vocabulary.species import species_known


@click.group(short_help="List, check, compare, release, try and activate rule sets.")
def rules() -> None:
    """Rule sets: list, check, compare, release, try and activate them; schemas for your editor."""


@rules.command("list")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def list_(*, as_json: bool) -> None:
    """List the rule sets of the library."""
    rows = []
    for spec in library():
        with bad_input():
            rule_set, scenarios_sha256 = load_rules(spec).rule_set, _scenarios_sha256(spec)
        rows.append(
            {
                "rule_set": spec,
                "title": rule_set.title,
                "rules": len(rule_set.rules),
                "sha256": rule_set.sha256,
                "scenarios_sha256": scenarios_sha256,
            }
        )
    if as_json:
        click.echo(json.dumps(rows, indent=2))
        return
    for row in rows:
        click.echo(f"{row['rule_set']}  {row['rules']} rules  {str(row['sha256'])[:12]}")
        click.echo(f"  {row['title']}")
    screen().print(f"\n{NOTICE}", style="dim")


@rules.command("check", short_help="Read a rule set and show its rules, or the mistakes in it.")
@click.argument("spec", default=DEFAULT_RULES)
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def check_rules(spec: str, *, as_json: bool) -> None:
    """Read the rule set SPEC (NAME@VERSION, or a folder) and show its rules.

    A mistake ends with exit code 2 and the file, line and column of each.
    """
    with bad_input():
        rule_set, scenarios_sha256 = load_rules(spec).rule_set, _scenarios_sha256(spec)
        engine = build_engine(rule_set)
    rows = [
        {
            "id": rule.id,
            "priority": rule.priority.value,
            "title": rule.title,
            "confidence": str(rule.source.confidence),
            "source": rule.source.ref,
        }
        for rule in sorted(rule_set.rules, key=lambda rule: (-rule.priority.rank, rule.id))
    ]
    strange = _strange_species(rule_set)
    if as_json:
        body = {
            "notice": NOTICE,
            "name": rule_set.name,
            "version": rule_set.version,
            "sha256": rule_set.sha256,
            "scenarios_sha256": scenarios_sha256,
            "engine": engine.name,
            "species_not_known": strange,
            "rules": rows,
        }
        click.echo(json.dumps(body, ensure_ascii=False, indent=2))
        return
    console = screen()
    table = Table(box=None, header_style="dim", padding=(0, 1))
    for heading in ("priority", "rule", "says that", "how sure"):
        table.add_column(heading, no_wrap=heading in ("priority", "rule"))
    for row in rows:
        table.add_row(
            priority_text(row["priority"]),
            row["id"],
            row["title"],
            row["confidence"],
        )
    console.print(table)
    console.print(
        f"{rule_set.spec}: {len(rows)} rules, no mistakes. "
        f"SHA-256 {rule_set.sha256[:12]}, engine {engine.name}."
    )
    for name in strange:
        hint = nearest(name.casefold(), species_known()) or "."
        words = (
            f'Not a species known here: "{name}"{hint} Limits written for it count only for an '
            "animal announced by that very name."
        )
        console.print(words, style="yellow")
    console.print(with_notice(rule_set.caution), style="dim")


def _scenarios_sha256(spec: str) -> str | None:
    """The hash of the scenarios beside a rule set; None when it has none."""
    scenarios = scenario_files(spec)
    return scenarios.sha256 if scenarios.files else None


def _strange_species(rule_set: RuleSet) -> list[str]:
    """Species that limits are written for and that are not in our list.

    They may be meant: a house may keep animals we have not heard of. A slip of the pen would leave
    a value that never counts.
    """
    named = {
        entry.where.species
        for limit in rule_set.limits.limits.values()
        for entry in limit.entries
        if entry.where.species is not None
    }
    return sorted(name for name in named if name.casefold() not in species_known())


@rules.command(
    "review", short_help="Set every rule, limit and cause against its source, as tables."
)
@click.argument("spec", default=DEFAULT_RULES)
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), help="A file (Markdown).")
def review_rules(spec: str, *, out: Path | None) -> None:
    """Set every rule, limit, parameter and cause of SPEC against its source, as tables."""
    with bad_input():
        text = review(load_rules(spec).rule_set)
    if out is None:
        click.echo(text, nl=False)
    else:
        with written_to(out):
            out.write_text(text, "utf-8")
        click.echo(out)


@rules.command("schema", short_help="Write JSON Schemas, with which an editor checks rule files.")
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path(),
    show_default="the present folder",
    help="Where to write the files.",
)
def schema(*, out: Path) -> None:
    """Write JSON Schemas, with which an editor completes and checks rule files.

    Name the schema in the first line of a rule file:

    # yaml-language-server: $schema=rules.schema.json
    """
    with written_to(out):
        out.mkdir(parents=True, exist_ok=True)
        for name, body in schemas().items():
            path = out / f"{name}.schema.json"
            path.write_text(json.dumps(body, indent=1, ensure_ascii=False) + "\n", "utf-8")
            click.echo(path)


rules.add_command(limits)
rules.add_command(release_command)
rules.add_command(activate_command)
rules.add_command(rollback_command)
rules.add_command(history_command)
rules.add_command(diff_command)
rules.add_command(trial)
