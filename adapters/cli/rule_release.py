"""`tidewarden rules release`: a folder becomes a version that never changes."""

from __future__ import annotations

import json
from pathlib import Path

import click

from adapters.cli.failures import bad_input
from adapters.cli.store_options import config_option, signed_now, site, store_option
from adapters.rule_activation import open_ledger
from adapters.rule_files import load_rules
from adapters.rule_releases import release


@click.command("release")
@click.argument("folder")
@click.option("--by", required=True, help="Who releases it.")
@click.option("--notes", required=True, help="What is new, for those who will activate it.")
@store_option
@config_option
@click.option("--backport", is_flag=True, help="Allow a version below the highest released.")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def release_command(
    *, folder: str, by: str, notes: str, store: Path | None, config_path: Path | None,
    backport: bool, as_json: bool,
) -> None:  # fmt: skip
    """Release the rule set in FOLDER into a store: its whole text is kept, under its version.

    A released version never changes. Only what is released can be activated.
    """
    with bad_input():
        signed = signed_now(by, notes)
        rules = load_rules(folder)
        with open_ledger(site(store, config_path).store) as ledger:
            done = release(ledger, rules, at=signed.at, by=by.strip(), notes=notes.strip(),
                           backport=backport)  # fmt: skip
    rule_set = rules.rule_set
    if as_json:
        body = {
            "rule_set": rule_set.spec,
            "sha256": rule_set.sha256,
            "new": done.new,
            "notes": list(done.notes),
        }
        click.echo(json.dumps(body, ensure_ascii=False, indent=2))
        return
    word = "Released" if done.new else "Nothing to do for"
    click.echo(f"{word} {rule_set.spec} ({len(rule_set.rules)} rules, "
               f"SHA-256 {rule_set.sha256[:12]}).")  # fmt: skip
    for note in done.notes:
        click.echo(f"Note: {note}.")
    if done.new:
        click.echo("It decides nothing yet: try it with `tidewarden rules trial start`, then let "
                   "another person activate it with `tidewarden rules activate`.")  # fmt: skip
