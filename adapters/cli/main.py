"""`tidewarden`: the commands. Exit codes: 0 well, 1 a check failed, 2 wrong use or bad input."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module
from typing import Final

import click

from rules.notice import NOTICE

#: Where each command is, as MODULE:NAME below `adapters.cli`.
_COMMANDS: Final[Mapping[str, str]] = {
    "backtest": "backtest:backtest",
    "case": "case:case",
    "check": "check:check",
    "demo": "demo:demo",
    "evaluate": "evaluate:evaluate",
    "handover": "history:handover",
    "pages": "pages:pages",
    "people": "people:people",
    "rehearse": "rehearse:rehearse",
    "replay": "replay:replay",
    "rules": "rules:rules",
    "scenario": "scenario:scenario",
    "serve": "serve:serve",
    "shift": "history:shift",
    "why": "why:why_command",
}


class _Commands(click.Group):
    """Reads the module of a command when it is asked for: nobody waits for all the others."""

    def list_commands(self, _ctx: click.Context) -> list[str]:
        return sorted(_COMMANDS)

    def get_command(self, _ctx: click.Context, name: str) -> click.Command | None:
        module, _, attribute = _COMMANDS.get(name, "").partition(":")
        if not module:
            return None
        command: click.Command = getattr(import_module(f"adapters.cli.{module}"), attribute)
        return command


@click.group(
    cls=_Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog=NOTICE,
)
@click.version_option(package_name="tidewarden", prog_name="tidewarden")
def main() -> None:
    """A second pair of eyes on the ventilation of very small anaesthetised animals.

    Tidewarden takes in monitoring readings over MQTT, works out what the breaths mean, and
    publishes prioritised advisories with their reasons.
    """


if __name__ == "__main__":
    main()
