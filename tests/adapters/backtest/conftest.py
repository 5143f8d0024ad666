"""Nights to watch again: simulated cases with what was true in them, and the store of a ward."""

from __future__ import annotations

from pathlib import Path

import pytest
from benchmarks.pipeline import arrivals, pipeline

from adapters.evaluation.population import draw_case
from adapters.evaluation.run import record_case

CASES = (17, 31)
PLACES = 5
SECONDS = 60.0


@pytest.fixture(scope="session")
def nights(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two recordings with labels, and in a folder of its own a store of five places."""
    folder = tmp_path_factory.mktemp("nights")
    for number in CASES:
        record_case(draw_case(20, number), folder / f"case-{number}.jsonl.gz")
    ward = folder / "ward"
    ward.mkdir()
    pipeline(arrivals(PLACES, SECONDS), ward)
    (folder / "README.txt").write_text("not a recording")
    return folder
