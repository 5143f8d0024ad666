"""`tidewarden pages`: what the service publishes, for people to see in a browser."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

import click

from adapters.cli.failures import BAD_INPUT, bad_input
from adapters.config import PagesSection, read_config
from adapters.pages.run import serve_pages
from adapters.tcp import can_connect, free_port, port_is_free
from adapters.texts import speak
from rules.notice import NOTICE

_ANSWERS_S: Final = 10.0
_ENDS_S: Final = 3.0


@click.command(short_help="Show the ward in a browser.")
@click.option(
    "--config",
    "config_path",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    help="Configuration file (TOML), the same as for `serve`.",
)
def pages(config_path: Path) -> None:
    """Show all places in a browser, those first that need somebody first.

    A process of its own beside `serve`: a page never delays an advisory. Host and port stand in
    the section [pages] of the configuration. Ends on SIGINT or SIGTERM.
    """
    with bad_input():
        config = read_config(config_path)
        config.broker_address()
        speak(config.pages.texts)
    host, port = config.pages.host, config.pages.port
    if not port_is_free(host, port):
        click.echo(f"tidewarden: pages.port: {host}:{port} cannot be had; choose another", err=True)
        sys.exit(BAD_INPUT)
    click.echo(f"http://{host}:{port}/   {NOTICE}")
    serve_pages(config)


@contextmanager
def pages_beside(broker_port: int, store: Path) -> Iterator[str]:
    """The pages of a broker on this machine, in a process of their own; gives their address.

    At the usual port, or at a free one where that is taken. Everybody here may ask, as `demo`.
    """
    usual = PagesSection()
    port = usual.port if port_is_free(usual.host, usual.port) else free_port(usual.host)
    with TemporaryDirectory() as folder:
        config = Path(folder) / "pages.toml"
        config.write_text(
            f"[broker]\nport = {broker_port}\n"
            # JSON's strings are TOML's.
            f"[store]\ndirectory = {json.dumps(str(store.resolve()))}\n"
            f'[pages]\nport = {port}\neveryone = "demo"\n',
            "utf-8",
        )
        command = [sys.executable, "-m", "adapters.cli.main", "pages", "--config", str(config)]
        process = subprocess.Popen(  # noqa: S603 - our own command
            command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        try:
            until = time.monotonic() + _ANSWERS_S
            while not can_connect(usual.host, port, 0.2) and time.monotonic() < until:
                time.sleep(0.05)
            yield f"http://{usual.host}:{port}/"
        finally:
            process.terminate()
            try:
                process.wait(_ENDS_S)
            except subprocess.TimeoutExpired:
                process.kill()
