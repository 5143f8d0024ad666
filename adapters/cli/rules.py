"""`tidewarden rules`: what is in the library, and whether a rule set is well written."""

from __future__ import annotations

import json
from pathlib import Path

import click
from rich.console import Console
from rich.table import Table
from rich.text import Text

from adapters.cli.failures import bad_input
from adapters.cli.limits import limits
from adapters.cli.rule_activate import activate_command, history_command, rollback_command
from adapters.cli.rule_diff import diff_command
from adapters.cli.rule_release import release_command
from adapters.cli.rule_trial import trial
from adapters.cli.words import MARKS, STYLES
from adapters.rule_files import DEFAULT_RULES, library, load_rules
from rules.engine import build_engine
from rules.review import review
from rules.schema import schemas


@click.group()
def rules() -> None:
    """Rule sets: list, check, compare, release, try and activate them; schemas for your editor."""


@rules.command("list")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def list_(*, as_json: bool) -> None:
    """List the rule sets of the library."""
    rows = []
    for spec in library():
        with bad_input():
            rule_set = load_rules(spec).rule_set
        rows.append(
            {
                "rule_set": spec,
                "title": rule_set.title,
                "rules": len(rule_set.rules),
                "sha256": rule_set.sha256,
            }
        )
    if as_json:
        click.echo(json.dumps(rows, indent=2))
        return
    for row in rows:
        click.echo(f"{row['rule_set']}  {row['rules']} rules  {str(row['sha256'])[:12]}")
        click.echo(f"  {row['title']}")


@rules.command("check")
@click.argument("spec", default=DEFAULT_RULES)
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def check_rules(spec: str, *, as_json: bool) -> None:
    """Read the rule set SPEC (NAME@VERSION, or a folder) and show its rules.

    A mistake ends with exit code 2 and the file, line and column of each.
    """
    with bad_input():
        rule_set = load_rules(spec).rule_set
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
    if as_json:
        body = {
            "name": rule_set.name,
            "version": rule_set.version,
            "sha256": rule_set.sha256,
            "engine": engine.name,
            "rules": rows,
        }
        click.echo(json.dumps(body, ensure_ascii=False, indent=2))
        return
    console = Console()
    table = Table(box=None, header_style="dim", padding=(0, 1))
    for heading in ("priority", "rule", "says that", "how sure"):
        table.add_column(heading, no_wrap=heading in ("priority", "rule"))
    for row in rows:
        word = row["priority"]
        table.add_row(
            Text(f"{MARKS[word]} {word}", style=STYLES[word]),
            row["id"],
            row["title"],
            row["confidence"],
        )
    console.print(table)
    console.print(
        f"{rule_set.spec}: {len(rows)} rules, no mistakes. "
        f"SHA-256 {rule_set.sha256[:12]}, engine {engine.name}.",
        highlight=False,
    )
    console.print(rule_set.caution, style="dim")


@rules.command("review")
@click.argument("spec", default=DEFAULT_RULES)
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), help="A file (Markdown).")
def review_rules(spec: str, *, out: Path | None) -> None:
    """Set every rule, limit, parameter and cause of SPEC against its source, as tables."""
    with bad_input():
        text = review(load_rules(spec).rule_set)
    if out is None:
        click.echo(text, nl=False)
    else:
        out.write_text(text, "utf-8")
        click.echo(out)


@rules.command("schema")
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
    with bad_input():
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
