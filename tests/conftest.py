"""What tests of the whole need: tools that must be there, and a real broker."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

# Because of this file its folder is on the path, and folders of tests bear the names of packages
# (tests/rules): the packages themselves must be found first.
sys.path.insert(0, str(Path(__file__).parents[1]))

from browser import chromium, open_page
from end_to_end.mosquitto import Mosquitto
from end_to_end.service_process import none_left_running

__all__ = ["chromium", "open_page"]

RequireTool = Callable[[str], str]
StartMosquitto = Callable[[Path], Mosquitto]


@pytest.fixture(scope="session")
def require_tool() -> RequireTool:
    """Gives the path of a program; without it the test is skipped, or fails where all must be."""

    def require(name: str) -> str:
        # Debian keeps daemons where the path of a user does not lead.
        found = shutil.which(name) or shutil.which(name, path="/usr/sbin:/usr/local/sbin")
        if found is not None:
            return found
        reason = f"{name} is not on this machine"
        if os.environ.get("TIDEWARDEN_REQUIRE_ALL") == "1":
            pytest.fail(f"{reason}, and TIDEWARDEN_REQUIRE_ALL is set")
        pytest.skip(reason)

    return require


@pytest.fixture(autouse=True)
def no_service_outlives_its_test() -> Iterator[None]:
    """What a failing test leaves running would take time from every test that comes after it."""
    with none_left_running():
        yield


@pytest.fixture(scope="session")
def mosquitto(require_tool: RequireTool) -> Iterator[StartMosquitto]:
    """Starts Mosquitto with the settings of `adapters/mosquitto.conf`, its data in a folder."""
    program = require_tool("mosquitto")
    started: list[Mosquitto] = []

    def start(folder: Path) -> Mosquitto:
        broker = Mosquitto(program, folder)
        started.append(broker)
        broker.start()
        return broker

    yield start
    for broker in started:
        broker.kill()
