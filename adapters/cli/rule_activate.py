"""`tidewarden rules activate`, `rollback` and `history`: which version decides, and who said so."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from adapters.cli.failures import bad_input
from adapters.cli.screen import screen
from adapters.cli.store_options import (
    by_option,
    config_option,
    signed_now,
    site,
    store_option,
    why_option,
)
from adapters.cli.words import tried_words
from adapters.rule_activation import activate, open_ledger, rollback
from adapters.sqlite.ledger import Entry, Release
from rules.notice import NOTICE

_SOON = (
    "A running service takes it within about two seconds, between two cycles;\n"
    "one that is started later begins with it."
)


@click.command("activate")
@click.argument("spec", metavar="NAME@VERSION")
@by_option
@click.option("--author", required=True, help="Who wrote or changed the rules: another person.")
@why_option
@store_option
@config_option
@click.option(
    "--override",
    "override_reason",
    help="Reason to activate one's own rules, where [rules] allow_override lets that be.",
)
def activate_command(
    *, spec: str, by: str, author: str, why: str, store: Path | None, config_path: Path | None,
    override_reason: str | None,
) -> None:  # fmt: skip
    """Let a released rule set decide from now on.

    Two persons are needed: who wrote the rules may not be the one who activates them.
    """
    with bad_input():
        where = site(store, config_path)
        signed = signed_now(by, why)
        with open_ledger(where.store) as ledger:
            activate(ledger, spec, signed, author, where.policy, override_reason)
    click.echo(f"{spec} is active.\n{_SOON}")


@click.command("rollback")
@by_option
@why_option
@store_option
@config_option
def rollback_command(*, by: str, why: str, store: Path | None, config_path: Path | None) -> None:
    """Go back to the rule set that was active before the present one."""
    with bad_input():
        where = site(store, config_path)
        signed = signed_now(by, why)
        with open_ledger(where.store) as ledger:
            rules = rollback(ledger, signed)
    click.echo(f"{rules.spec} is active again.\n{_SOON}")


@click.command(
    "history", short_help="Show what was released, activated, tried: when, by whom, why."
)
@store_option
@config_option
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def history_command(*, store: Path | None, config_path: Path | None, as_json: bool) -> None:
    """Show what was released, activated, rolled back and tried: when, by whom and why."""
    with bad_input(), open_ledger(site(store, config_path).store) as ledger:
        releases, entries, wanted = ledger.releases(), ledger.entries(), ledger.wanted()
        active = None if wanted.active is None else ledger.rules(wanted.active).spec
        trial = None if wanted.trial is None else ledger.rules(wanted.trial).spec
        taken = ledger.taken()
        in_use = ledger.in_use()
        used = None if in_use is None else ledger.rules(in_use).spec
    rows = [_release(one) for one in releases]
    rows += [_row(entry, taken.get(entry.id)) for entry in entries]
    rows.sort(key=lambda row: str(row["at"]))
    if as_json:
        body = {"notice": NOTICE, "active": active, "trial": trial, "in_use": used, "history": rows}
        click.echo(json.dumps(body, ensure_ascii=False, indent=2))
        return
    for row in rows:
        _print(row)
    if not rows:
        click.echo("Nothing was released or activated in this store.")
    click.echo(f"\nActive: {active or 'what the configuration says'}. On trial: {trial or 'none'}. "
               f"Last used by a service: {used or 'none yet'}.")  # fmt: skip
    screen().print(f"\n{NOTICE}", style="dim")


def _release(release: Release) -> dict[str, Any]:
    return {
        "at": release.released_at,
        "action": "release",
        "rule_set": release.rules.spec,
        "sha256": release.rules.sha256,
        "scenarios_sha256": release.scenarios_sha256,
        "scenarios": release.scenarios,
        "not_as_expected": release.not_as_expected,
        "by": release.by,
        "reason": release.notes,
        "override_reason": release.override_reason,
    }


def _row(entry: Entry, taken: str | None) -> dict[str, Any]:
    return {
        "at": entry.at,
        "action": entry.action,
        "rule_set": entry.rules.spec,
        "sha256": entry.rules.sha256,
        "by": entry.by,
        "author": entry.author,
        "reason": entry.reason,
        "override_reason": entry.override_reason,
        "taken_at": taken,
    }


def _print(row: dict[str, Any]) -> None:
    click.echo(f"{row['at'][:19]}Z  {row['action']:11}  {row['rule_set']}  "
               f"({row['sha256'][:12]})  by {row['by']}")  # fmt: skip
    lines = [row["reason"]]
    if row.get("author"):
        lines.append(f"rules by {row['author']}")
    if row.get("scenarios") is not None:
        lines.append(tried_words(row["scenarios"], row["not_as_expected"]))
    if row.get("override_reason"):
        what = "all the same" if row["action"] == "release" else "by one person alone"
        lines.append(f"{what}, because: {row['override_reason']}")
    if row.get("taken_at"):
        lines.append(f"a service went by it from {row['taken_at']} on")
    for line in lines:
        click.echo(f"    {line}")
