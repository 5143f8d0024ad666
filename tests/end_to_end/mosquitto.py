"""Mosquitto as a process, with the settings that come with Tidewarden."""

from __future__ import annotations

import getpass
import re
import socket
import subprocess
import time
from importlib import resources
from pathlib import Path

START_S = 10.0


class BrokerFailedError(RuntimeError):
    """The broker did not start; the text is its log."""


def shipped_settings() -> str:
    """The configuration file as it comes with Tidewarden."""
    return (resources.files("adapters") / "mosquitto.conf").read_text(encoding="utf-8")


def settings_for(text: str, port: int, folder: Path) -> str:
    """The settings in `text`, on another port and with the data in `folder`; nothing else differs.

    Started by root, Mosquitto would become a user who cannot write there: so that is said too.
    """
    text, listeners = re.subn(r"(?m)^listener \d+ ", f"listener {port} ", text)
    text, places = re.subn(
        r"(?m)^persistence_location .*$", f"persistence_location {folder}/", text
    )
    if (listeners, places) != (1, 1):
        raise ValueError("expected one listener and one persistence_location")
    return f"{text}\nuser {getpass.getuser()}\n"


class Mosquitto:
    """One broker with its own port and data; it can be killed and started again."""

    def __init__(self, program: str, folder: Path, text: str | None = None) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.port = _free_port()
        self._program = program
        self._settings = folder / "mosquitto.conf"
        self._settings.write_text(settings_for(text or shipped_settings(), self.port, folder))
        self._log = folder / "mosquitto.log"
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def pid(self) -> int:
        """Its process."""
        if self._process is None:
            raise BrokerFailedError("not started")
        return self._process.pid

    def start(self) -> None:
        """Start and wait until it listens."""
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                [self._program, "-c", str(self._settings)], stdout=log, stderr=log
            )
        until = time.monotonic() + START_S
        while not self._listens():
            if self._process.poll() is not None or time.monotonic() > until:
                raise BrokerFailedError(self._log.read_text(errors="replace"))
            time.sleep(0.02)

    def start_again(self) -> None:
        """Start after a kill; nothing when it runs."""
        if self._process is None:
            self.start()

    def kill(self) -> None:
        """SIGKILL: no chance to say or save anything."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def _listens(self) -> bool:
        try:
            with socket.create_connection(("127.0.0.1", self.port), timeout=1.0):
                return True
        except OSError:
            return False


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
