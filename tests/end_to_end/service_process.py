"""`tidewarden` as a process of its own."""

from __future__ import annotations

import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from end_to_end.clients import wait_for

START_S = 30.0


def tidewarden() -> str:
    """The installed command, beside the interpreter that runs the tests."""
    beside = Path(sys.executable).with_name("tidewarden")
    return str(beside) if beside.exists() else shutil.which("tidewarden") or "tidewarden"


def run_command(
    *arguments: str | Path, timeout_s: float = 60.0
) -> subprocess.CompletedProcess[str]:
    """Run one command to its end."""
    return subprocess.run(
        [tidewarden(), *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=timeout_s,
        check=False,
    )


_started: list[ServiceProcess] = []


@contextmanager
def none_left_running() -> Iterator[None]:
    """Kills at its end what was started in it and still runs."""
    before = len(_started)
    try:
        yield
    finally:
        while len(_started) > before:
            _started.pop().kill()


class ServiceProcess:
    """`tidewarden serve` with a configuration of its own in `folder`."""

    def __init__(
        self, folder: Path, port: int, *, instance: str = "watch", extra: str = ""
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.instance = instance
        self.store = folder / "store" / "tidewarden.sqlite"
        self.config = folder / "tidewarden.toml"
        self.config.write_text(
            f'[service]\ninstance = "{instance}"\n'
            f'[broker]\nport = {port}\nclient_id = "{instance}"\n'
            f'[store]\ndirectory = "{folder / "store"}"\n{extra}'
        )
        self._log = folder / "service.log"
        self._process: subprocess.Popen[bytes] | None = None
        self._seen = 0

    @property
    def pid(self) -> int:
        """Its process."""
        assert self._process is not None
        return self._process.pid

    def start(self, *, connected: bool = True) -> float:
        """Start, and wait until it is connected; returns the seconds that took."""
        began = time.monotonic()
        self._seen = len(self.log())
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                [tidewarden(), "serve", "--config", str(self.config)], stdout=log, stderr=log
            )
        _started.append(self)
        if connected:
            self.wait_for_log("connected to broker")
        return time.monotonic() - began

    def log(self) -> str:
        """What it logged, over all its starts."""
        return self._log.read_text(errors="replace") if self._log.exists() else ""

    def wait_for_log(self, pattern: str, seconds: float = START_S) -> re.Match[str]:
        """Wait until the present run has logged something that `pattern` finds."""

        def found() -> re.Match[str] | None:
            assert self._process is not None
            match = re.search(pattern, self.log()[self._seen :])
            assert match or self._process.poll() is None, f"the service ended:\n{self.log()}"
            return match

        wait_for(found, seconds, f"{pattern!r} in the log of the service")
        match = found()
        assert match is not None
        return match

    def kill(self) -> None:
        """SIGKILL, if it runs."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()

    def terminate(self, timeout_s: float = 10.0) -> tuple[int, float]:
        """SIGTERM; returns the exit code and the seconds it took."""
        assert self._process is not None
        began = time.monotonic()
        self._process.send_signal(signal.SIGTERM)
        return self._process.wait(timeout_s), time.monotonic() - began
