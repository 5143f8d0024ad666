"""`tidewarden serve`: the service, until it is told to stop."""

from __future__ import annotations

import logging
import signal
import threading
from pathlib import Path
from types import FrameType

import click

from adapters.app import run_service, service_from_config
from adapters.cli.failures import bad_input
from adapters.config import read_config


@click.command(short_help="Watch every place at the broker, and publish advisories.")
@click.option(
    "--config",
    "config_path",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    help="Configuration file (TOML); every key is described in adapters/README.md.",
)
@click.option("-v", "--verbose", is_flag=True, help="Log more.")
def serve(config_path: Path, *, verbose: bool) -> None:
    """Watch every place whose readings arrive at the broker, and publish advisories.

    Ends on SIGINT or SIGTERM after the cycle under way. A killed service takes up where the store
    is when it is started again.
    """
    logging.basicConfig(
        level=logging.DEBUG if verbose else logging.INFO,
        format="%(asctime)s %(levelname)s %(name)s: %(message)s",
    )
    with bad_input():
        parts = service_from_config(read_config(config_path))
    stop = threading.Event()

    def end(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    signal.signal(signal.SIGINT, end)
    signal.signal(signal.SIGTERM, end)
    run_service(parts, stop)
