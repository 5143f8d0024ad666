"""The options that name a store, shared by the commands that write into its ledger of rules."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import click

from adapters.clock import SystemClock
from adapters.config import ConfigError, RulesSection, read_config
from adapters.rule_activation import Signed
from adapters.rule_policy import Policy
from service.instants import to_text

store_option = click.option(
    "--store",
    type=click.Path(path_type=Path),
    help="Folder of the store; without it, that of --config.",
)
store_file_option = click.option(
    "--store",
    required=True,
    type=click.Path(path_type=Path),
    help="The store (.sqlite), or its folder.",
)
config_option = click.option(
    "--config",
    "config_path",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Configuration of the service: its [store] directory, and who may activate ([rules]).",
)
by_option = click.option("--by", required=True, help="Who does this.")
why_option = click.option("--why", required=True, help="The reason; it is kept and shown.")


@dataclass(frozen=True, slots=True)
class Site:
    """Which store, and who may activate there."""

    store: Path
    policy: Policy


def site(store: Path | None, config_path: Path | None) -> Site:
    """From the options; without a configuration two persons are asked for, and no override."""
    if config_path is None:
        if store is None:
            raise ConfigError("give the store with --store DIR, or the service's --config FILE")
        return Site(store, RulesSection().policy())
    config = read_config(config_path)
    return Site(store or config.store.directory, config.rules.policy())


def signed_now(by: str, why: str) -> Signed:
    """This person, this reason, now."""
    return Signed(by, why, to_text(SystemClock().now_ms()))
