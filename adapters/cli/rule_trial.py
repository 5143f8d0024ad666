"""`tidewarden rules trial`: a candidate evaluated in silence beside the active rules."""

from __future__ import annotations

import json
from pathlib import Path

import click

from adapters.cli.behaviour_view import print_behaviour
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
from adapters.rule_activation import open_ledger, start_trial, stop_trial
from adapters.rule_behaviour import Compared, behaviour_body, trial_report
from adapters.sqlite.store import store_file
from rules.notice import NOTICE


@click.group("trial", short_help="Try a rule set in silence beside the active one.")
def trial() -> None:
    """Try a rule set in silence: it sees what the active one sees, and publishes nothing."""


@trial.command("start", short_help="Put a rule set on trial beside the active one.")
@click.argument("spec", metavar="NAME@VERSION|FOLDER")
@by_option
@why_option
@store_option
@config_option
def start(*, spec: str, by: str, why: str, store: Path | None, config_path: Path | None) -> None:
    """Put a rule set on trial beside the active one; it need not be released."""
    with bad_input():
        signed = signed_now(by, why)
        with open_ledger(site(store, config_path).store) as ledger:
            rule_set = start_trial(ledger, spec, signed).rule_set
    click.echo(
        f"{rule_set.spec} is on trial as soon as a service runs on this store.\n"
        "Nothing it says is published. See `tidewarden rules trial report`."
    )


@trial.command("stop")
@by_option
@why_option
@store_option
@config_option
def stop(*, by: str, why: str, store: Path | None, config_path: Path | None) -> None:
    """End the trial; what it said is kept."""
    with bad_input():
        signed = signed_now(by, why)
        with open_ledger(site(store, config_path).store) as ledger:
            rules = stop_trial(ledger, signed)
    click.echo(f"The trial of {rules.spec} is over.")


@trial.command("report", short_help="Hold what the candidate said against what was advised.")
@store_option
@config_option
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def report(*, store: Path | None, config_path: Path | None, as_json: bool) -> None:
    """Hold what the candidate said in its last trial against what was advised."""
    with bad_input():
        found = trial_report(store_file(site(store, config_path).store))
    active = ", ".join(found.active)
    if as_json:
        body = {
            "notice": NOTICE,
            "candidate": found.candidate,
            "active": list(found.active),
            "begins_at": found.begins_at,
            "ends_at": found.ends_at,
            **behaviour_body(found.behaviour),
        }
        click.echo(json.dumps(body, ensure_ascii=False, indent=2))
        return
    console = screen()
    console.print(f"Trial from {found.begins_at} to {found.ends_at}")
    tried = Compared({"": found.behaviour})
    print_behaviour(console, tried, f"{active} (active)", f"{found.candidate} (on trial)")
    console.print(f"\n{NOTICE}", style="dim")
