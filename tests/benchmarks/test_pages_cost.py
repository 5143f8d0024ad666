"""What open pages cost: the process that serves them, Chromium that shows them, the first paint.

Printed as shares of a core; what is held is how much more the server needs with eight pages open
than with none, in the same run.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from end_to_end.mosquitto import Mosquitto
from end_to_end.ward_bench import PagesProcess, ToldWard, advisory

if TYPE_CHECKING:
    from playwright.sync_api import Browser

pytestmark = [
    pytest.mark.alone,
    pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc"),
]
PLACES, PAGES, SECONDS = 24, 8, 10.0
#: With eight patients looked at, against none; measured at 1.9.
MOST_TIMES_WITHOUT = 5.0


def _cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _share(pids: list[int]) -> float:
    """Of one core, all of these together, from now on for a while."""
    before, began_s = sum(map(_cpu_s, pids)), time.monotonic()
    time.sleep(SECONDS)
    return (sum(map(_cpu_s, pids)) - before) / (time.monotonic() - began_s)


def _of_chromium() -> list[int]:
    found = subprocess.run(["pgrep", "chromium"], capture_output=True, text=True, check=False)
    return [int(pid) for pid in found.stdout.split()]


@contextmanager
def _waves(ward: ToldWard, places: list[str]) -> Iterator[None]:
    """Pressure and CO2 of all places, a block of each a second."""
    stop = threading.Event()

    def send() -> None:
        began_s, seconds = time.monotonic(), 0
        while not stop.wait(max(0.0, began_s + seconds - time.monotonic())):
            for place in places:
                ward.wave(place, 0)
                ward.co2_wave(place)
            seconds += 1

    thread = threading.Thread(target=send)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


def test_eight_patients_looked_at_cost_little(
    mosquitto: Callable[[Path], Mosquitto], chromium: Browser, tmp_path: Path
) -> None:
    places = [f"box-{number:02d}" for number in range(PLACES)]
    pages = PagesProcess(tmp_path, mosquitto(tmp_path / "broker").port)
    pages.start()
    assert pages.process is not None
    server = [pages.process.pid]
    with ToldWard(pages.broker_port) as ward:
        for place in places:
            ward.patient(place)
            ward.standing(place, advisory("etco2-high", "medium", "CO2 is 58 mmHg."))
        with _waves(ward, places):
            time.sleep(3.0)
            without = _share(server)
            for place in places[:PAGES]:
                page = chromium.new_page()
                page.goto(f"{pages.address}place/ward/{place}")
            page.wait_for_timeout(3000)
            paint_ms = page.evaluate(
                "performance.getEntriesByName('first-contentful-paint')[0].startTime"
            )
            browser = _of_chromium()
            before_s, began_s = sum(map(_cpu_s, browser)), time.monotonic()
            with_pages = _share(server)
            browser_share = (sum(map(_cpu_s, browser)) - before_s) / (time.monotonic() - began_s)
    pages.stop()
    print(
        f"\n{PLACES} places with two waves each. Server: {100 * without:.1f} % of a core with no "
        f"page, {100 * with_pages:.1f} % with {PAGES} patients looked at. Chromium: "
        f"{100 * browser_share / PAGES:.1f} % for each page; first paint {paint_ms:.0f} ms"
    )
    assert browser_share > 0.0
    assert with_pages < MOST_TIMES_WITHOUT * without
