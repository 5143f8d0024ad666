"""`tidewarden`: the commands. Exit codes: 0 well, 1 a check failed, 2 wrong use or bad input."""

from __future__ import annotations

import click

from adapters.cli.backtest import backtest
from adapters.cli.case import case
from adapters.cli.check import check
from adapters.cli.demo import demo
from adapters.cli.evaluate import evaluate
from adapters.cli.history import handover, shift
from adapters.cli.pages import pages
from adapters.cli.people import people
from adapters.cli.rehearse import rehearse
from adapters.cli.replay import replay
from adapters.cli.rules import rules
from adapters.cli.scenario import scenario
from adapters.cli.serve import serve
from adapters.cli.why import why_command
from rules.notice import NOTICE


@click.group(
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog=NOTICE,
)
@click.version_option(package_name="tidewarden", prog_name="tidewarden")
def main() -> None:
    """A second pair of eyes on the ventilation of very small anaesthetised animals.

    Tidewarden takes in monitoring readings over MQTT, works out what the breaths mean, and
    publishes prioritised advisories with their reasons.
    """


for command in (
    demo, serve, pages, people, replay, why_command, case, handover, shift, rules, rehearse,
    scenario, backtest, evaluate, check,
):  # fmt: skip
    main.add_command(command)


if __name__ == "__main__":
    main()
