"""`tidewarden rules release`: a folder becomes a version that never changes."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import click

from adapters.cli.failures import bad_input
from adapters.cli.store_options import config_option, signed_now, site, store_option
from adapters.cli.words import tried_words
from adapters.cli.work import bar_beside, jobs_option
from adapters.rehearsal.releases import tried
from adapters.rule_activation import open_ledger
from adapters.rule_files import LoadedRules, load_rules
from adapters.rule_releases import Candidate, Released, release
from adapters.scenario_files import scenario_files


@dataclass(frozen=True, slots=True)
class _Options:
    folder: str
    by: str
    notes: str
    store: Path | None
    config_path: Path | None
    backport: bool
    override_reason: str | None
    jobs: int
    as_json: bool


@click.command(
    "release", short_help="Release a folder into a store as a version that never changes."
)
@click.argument("folder")
@click.option("--by", required=True, help="Who releases it.")
@click.option("--notes", required=True, help="What is new, for those who will activate it.")
@store_option
@config_option
@click.option("--backport", is_flag=True, help="Allow a version below the highest released.")
@click.option(
    "--override",
    "override_reason",
    help="Reason to release it though scenarios are not as expected, where [rules] allow_override "
    "lets that be.",
)
@jobs_option
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def release_command(**given: Any) -> None:
    """Release the rule set in FOLDER into a store: its whole text is kept, under its version.

    Its scenarios are rehearsed first and kept with it; one that is not as expected keeps it from
    being released. A released version never changes. Only what is released can be activated.
    """
    options = _Options(**given)
    with bad_input():
        rules = load_rules(options.folder)
        done = _released(options, rules)
    if options.as_json:
        click.echo(json.dumps(_body(rules, done), ensure_ascii=False, indent=2))
    else:
        _print(rules, done)


def _released(options: _Options, rules: LoadedRules) -> Released:
    signed = signed_now(options.by, options.notes)
    where = site(options.store, options.config_path)
    scenarios = scenario_files(options.folder)
    rehearse = partial(
        tried, rules, scenarios, options.jobs, bar_beside("scenarios"), where.policy,
        options.override_reason,
    )  # fmt: skip
    with open_ledger(where.store) as ledger:
        return release(
            ledger, Candidate(rules, scenarios, rehearse), at=signed.at, by=signed.by.strip(),
            notes=signed.why.strip(), backport=options.backport,
        )  # fmt: skip


def _body(rules: LoadedRules, done: Released) -> dict[str, Any]:
    rule_set, of = rules.rule_set, done.tried
    return {
        "rule_set": rule_set.spec,
        "sha256": rule_set.sha256,
        "scenarios_sha256": None if of is None else of.files.sha256,
        "scenarios": None if of is None else of.count,
        "not_as_expected": None if of is None else of.not_as_expected,
        "new": done.new,
        "notes": list(done.notes),
    }


def _print(rules: LoadedRules, done: Released) -> None:
    rule_set = rules.rule_set
    word = "Released" if done.new else "Nothing to do for"
    scenarios = (
        ""
        if done.tried is None
        else f", {tried_words(done.tried.count, done.tried.not_as_expected)}"
    )
    click.echo(f"{word} {rule_set.spec} ({len(rule_set.rules)} rules, "
               f"SHA-256 {rule_set.sha256[:12]}{scenarios}).")  # fmt: skip
    for note in done.notes:
        click.echo(f"Note: {note}.")
    if done.new:
        click.echo(
            "It decides nothing yet: try it with `tidewarden rules trial start`,\n"
            "then let another person activate it with `tidewarden rules activate`."
        )
