"""`tidewarden replay --plots` as its users run it, and its pages in a real browser."""

from __future__ import annotations

import csv
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from end_to_end.service_process import run_command
from end_to_end.test_replay_command import SECONDS, START_MS

from adapters.recordings import Line, write_recording
from adapters.simulator.scenario import builtin_scenario_text, load_scenario
from adapters.simulator.ward import SimulatedWard

PIP_MARK = r'<path class="point"[^>]*rgb\(0, 99, 160\)[^>]*stroke'
PLACES = {f"bay-{number}" for number in range(1, 8)}


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plots")
    ward = SimulatedWard(load_scenario(builtin_scenario_text()), START_MS, 4)
    sent = ward.advance(START_MS + 1000 * SECONDS)
    write_recording(folder / "ward.jsonl.gz", [Line(m.at_ms + 4, m.topic, m.payload) for m in sent])
    done = run_command("replay", folder / "ward.jsonl.gz", "--out", folder / "out", "--plots")
    assert done.returncode == 0, done.stderr
    return folder / "out" / "plots"


def test_one_page_for_each_place(pages: Path) -> None:
    assert {path.name for path in pages.iterdir()} == {f"recovery+{bay}.html" for bay in PLACES}


@pytest.mark.slow
@pytest.mark.parametrize("stretch", ["", "#20-30"])
def test_a_browser_without_network_draws_it(
    pages: Path, stretch: str, require_tool: Callable[[str], str], tmp_path: Path
) -> None:
    browser = require_tool("chromium")
    page = (pages / "recovery+bay-2.html").resolve().as_uri() + stretch
    command = [browser, "--headless=new", "--no-sandbox", "--disable-gpu", "--dump-dom"]
    command += ["--window-size=1400,1200", "--virtual-time-budget=20000"]
    command += [f"--user-data-dir={tmp_path}", "--host-resolver-rules=MAP * ~NOTFOUND", page]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    # The script says so at its end, after Plotly's own promises were kept.
    assert 'data-drawn="yes"' in done.stdout, done.stderr[-2000:]
    drawn = done.stdout
    assert "Airway pressure" in drawn
    # One marker for each breath of the table that lies in the stretch.
    with (pages.parent / "breaths.csv").open(newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["place"] == "recovery/bay-2"]
    # The simulated pressure peaks at the end of inspiration.
    peaks = [float(row["start_s"]) + float(row["ti_s"]) for row in rows]
    shown = [peak_s for peak_s in peaks if not stretch or 20.0 < peak_s < 30.0]
    assert 2 < len(shown) == len(re.findall(PIP_MARK, drawn))
    ticks = set(re.findall(r"(?<=>)00:00:(\d\d)(?=<)", drawn))
    assert ticks >= ({"20", "24", "28"} if stretch else {"00", "10", "50"})
    assert not stretch or all(20 <= int(tick) <= 30 for tick in ticks)
    # All time axes tick alike: each panel has its vertical lines at the same places.
    lines: dict[str, list[str]] = {}
    for axis, at in re.findall(r'class="(x\d*)grid crisp" transform="translate\(([\d.]+)', drawn):
        lines.setdefault(axis, []).append(at)
    assert len(lines) >= 8
    assert len(set(map(tuple, lines.values()))) == 1
