"""A subject that breathes by itself: its own breaths are no inflations.

Facts, by zero crossings of flow: five breaths, 3.928 s apart (15.3 /min), of 0.59 L,
inspiratory time 1.4 s. On inspiration oesophageal pressure falls by 15 cmH2O and airway pressure
by half a cmH2O: the subject pulls, nothing pushes.
"""

from __future__ import annotations

import csv
import json
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from published.breathing_recording import RATE_HZ, BreathingRecording, fetch
from published.fetching import fetched

from adapters.cli.main import main
from adapters.recordings import write_recording


@pytest.fixture(scope="module")
def source() -> BreathingRecording:
    return fetched(fetch)


@pytest.fixture(scope="module")
def folder(source: BreathingRecording, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("breathing")
    write_recording(folder / "subject.jsonl", source.lines())
    out = folder / "out"
    done = CliRunner().invoke(main, ["replay", str(folder / "subject.jsonl"), "--out", str(out)])
    assert done.exit_code == 0, done.output
    return out


def _summary(folder: Path) -> dict[str, Any]:
    body: dict[str, Any] = json.loads((folder / "summary.json").read_text())
    return body


def _inspirations(source: BreathingRecording) -> list[tuple[int, int]]:
    """(first, end) of each run of at least 0.5 s of inspiratory flow over 0.02 L/s, in samples."""
    inspiring = np.concatenate(([False], source.flow_l_per_s > 0.02, [False]))
    edges = np.flatnonzero(np.diff(inspiring.astype(int)))
    runs = list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
    return [run for run in runs if run[1] - run[0] >= 0.5 * RATE_HZ]


def test_the_facts_of_the_recording(source: BreathingRecording) -> None:
    inspirations = _inspirations(source)
    assert len(inspirations) == 5
    for one, other in pairwise(inspirations):
        assert (other[0] - one[0]) / RATE_HZ == pytest.approx(3.928, abs=0.02)
    for first, end in inspirations:
        assert (end - first) / RATE_HZ == pytest.approx(1.4, abs=0.06)
        litres = float(np.trapezoid(source.flow_l_per_s[first:end])) / RATE_HZ
        assert litres == pytest.approx(0.59, abs=0.02)
        # The sign of flow: where it is inspiratory, the subject pulls.
        middle = (first + end) // 2
        assert source.oesophageal_cmh2o[middle] < -3.0
        assert -0.6 < source.paw_cmh2o[middle] < -0.3


def test_every_block_is_taken_and_flow_is_converted(
    folder: Path, source: BreathingRecording
) -> None:
    messages = _summary(folder)["messages"]
    assert messages == {"accepted": len(source.lines()), "repeats": 0, "refused": 0}


def test_own_breaths_are_no_inflations(folder: Path) -> None:
    with (folder / "breaths.csv").open(newline="") as file:
        assert [row for row in csv.DictReader(file) if row["kind"] == "ventilator"] == []


def test_nothing_is_advised_in_twenty_seconds_of_quiet_breathing(folder: Path) -> None:
    assert _summary(folder)["advisories"] == []
