"""A real recording through the command line: what it shows is known, and must be found.

Facts of the recording (read off the signals by hand; the inflations are also held against SciPy's
peak finder on the raw samples): between 207 and 257 s nine inflations, one every 6.0 s, to about
30 cmH2O from a baseline of about 0.2, while end-tidal CO2 falls breath by breath from about 37 to
about 19 mmHg: ventilation goes on, circulation fails. After 400 s there is no breath at all,
although CO2 stays between 26 and 11 mmHg: CO2 that is present is not breathing.
"""

from __future__ import annotations

import csv
import json
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from statistics import mean, median
from typing import Any

import pytest
from click.testing import CliRunner
from published.animal_recording import AnimalRecording, fetch
from published.fetching import fetched
from scipy.signal import find_peaks

from adapters.cli.main import main
from adapters.recordings import write_recording
from service.instants import from_text
from service.signals.capnogram_course import course_of


@dataclass(frozen=True)
class Result:
    """What `tidewarden replay` wrote, and the source it came from."""

    source: AnimalRecording
    events: list[dict[str, Any]]
    breaths: list[dict[str, float]]
    co2: list[dict[str, float]]
    summary: dict[str, Any]

    def ventilated(self) -> list[dict[str, float]]:
        """The breaths of the stretch from 207 to 257 s."""
        return [b for b in self.breaths if 206.5 <= b["start_s"] <= 257.0]

    def stands(self, rule: str, at_s: float) -> bool:
        """Whether an advisory of the rule stands at this time."""
        begins_ms = from_text(self.summary["begins_at"])
        mine = [e for e in self.events if e["rule"] == rule]
        before = [e for e in mine if from_text(e["at"]) - begins_ms <= 1000.0 * at_s]
        return bool(before) and before[-1]["event"] != "cleared"

    def raised_s(self, rule: str) -> list[float]:
        """When advisories of a rule were raised or came back, in s from the first pressure."""
        found = [a for a in self.summary["advisories"] if a["rule"] == rule]
        return [at for a in found for at in (a["raised_s"], *a["returned_s"])]


@pytest.fixture(scope="module")
def source() -> AnimalRecording:
    return fetched(fetch)


@pytest.fixture(scope="module")
def result(source: AnimalRecording, tmp_path_factory: pytest.TempPathFactory) -> Result:
    folder = tmp_path_factory.mktemp("animal")
    recording, out = folder / "animal.jsonl.gz", folder / "out"
    write_recording(recording, source.lines())
    done = CliRunner().invoke(main, ["replay", str(recording), "--out", str(out)])
    assert done.exit_code == 0, done.output
    return Result(
        source=source,
        events=[json.loads(line) for line in (out / "advisories.jsonl").open(encoding="utf-8")],
        breaths=_numbers(out / "breaths.csv"),
        co2=_numbers(out / "capnogram.csv"),
        summary=json.loads((out / "summary.json").read_text()),
    )


def _numbers(path: Path) -> list[dict[str, float]]:
    with path.open(newline="") as file:
        return [
            {k: float(v) for k, v in row.items() if k not in ("place", "kind") and v}
            for row in csv.DictReader(file)
        ]


def test_every_block_is_taken(result: Result) -> None:
    assert result.summary["messages"]["refused"] == 0
    assert result.summary["messages"]["accepted"] == len(result.source.lines())


def test_nine_inflations_six_seconds_apart(result: Result) -> None:
    found = result.ventilated()
    assert len(found) == 9
    periods = [b["start_s"] - a["start_s"] for a, b in pairwise(found)]
    assert mean(periods) == pytest.approx(6.0, abs=0.02)
    assert all(period == pytest.approx(6.0, abs=0.06) for period in periods)
    assert 60.0 / median(periods) == pytest.approx(10.0, abs=0.05)  # per minute


def test_the_same_inflations_as_an_independent_peak_finder(result: Result) -> None:
    # scipy.signal.find_peaks on the raw samples, at least 25 cmH2O and 4 s apart.
    source = result.source
    stretch = (source.paw_s > 206.5) & (source.paw_s < 257.5)
    times = source.paw_s[stretch]
    peaks, _ = find_peaks(source.paw_cmh2o[stretch], height=25.0, distance=4 * 488)
    found = result.ventilated()
    assert len(peaks) == len(found)
    for peak, breath in zip(peaks, found, strict=True):
        assert breath["start_s"] < times[peak] < breath["start_s"] + breath["ti_s"]
        assert breath["pip_cmh2o"] == pytest.approx(source.paw_cmh2o[stretch][peak], abs=0.3)


def test_peak_and_baseline_pressure(result: Result) -> None:
    found = result.ventilated()
    assert all(26.5 <= breath["pip_cmh2o"] <= 31.5 for breath in found)
    assert mean(breath["pip_cmh2o"] for breath in found) == pytest.approx(30.0, abs=1.0)
    assert median(breath["baseline_cmh2o"] for breath in found) == pytest.approx(0.2, abs=0.3)


def test_end_tidal_co2_falls_breath_by_breath(result: Result) -> None:
    falling = [b["etco2_mmhg"] for b in result.co2 if 209.0 <= b["start_s"] <= 259.0]
    assert len(falling) == 9
    assert falling[0] == pytest.approx(37.0, abs=0.5)
    assert falling[-1] == pytest.approx(19.0, abs=0.5)
    # One breath is 0.5 mmHg over the one before it: a chest compression moved gas (249 s).
    assert all(later < earlier + 0.6 for earlier, later in pairwise(falling))
    assert sum(later < earlier for earlier, later in pairwise(falling)) >= 7


def test_the_fall_is_a_washout_and_nothing_before_it(result: Result) -> None:
    """From the third fall on to the last breath; so many breaths before were no washout."""
    breaths = [(b["start_s"], b["etco2_mmhg"]) for b in result.co2 if b["start_s"] < 259.0]
    labels = {}
    for number in range(4, len(breaths) + 1):
        course = course_of([etco2 for _, etco2 in breaths[:number]])
        assert course is not None
        labels[breaths[number - 1][0]] = course.label
        if course.label == "washout" and breaths[number - 1][0] > 209.0:
            # Falls of about a tenth with each breath, as 37 to 19 mmHg in eight steps.
            assert course.low <= course.ratio <= course.high
            assert course.ratio == pytest.approx((19.0 / 37.0) ** (1 / 8), abs=0.05)
    falling = [label for at, label in labels.items() if at >= 221.0]
    assert falling == ["washout"] * 7
    nine = course_of([etco2 for at, etco2 in breaths if 209.0 <= at <= 259.0])
    assert nine is not None
    assert nine.label == "washout"
    assert nine.breaths == 9


def test_no_breath_in_eighteen_minutes_of_standing_co2(result: Result) -> None:
    source = result.source
    after = source.co2_s > 400.0
    assert source.co2_s[-1] - 400.0 > 1000.0
    # About 26 down to about 11 mmHg; in the raw samples 10.74 is the lowest.
    assert source.co2_mmhg[after].min() > 10.5
    assert source.co2_mmhg[after].max() < 26.5
    assert [b for b in result.breaths if b["start_s"] > 380.0] == []
    assert [b for b in result.co2 if b["start_s"] > 380.0] == []


def test_failing_circulation_is_advised_while_ventilation_goes_on(result: Result) -> None:
    raised = [at for at in result.raised_s("circulation-failing") if at > 207.0]
    # Three falls after the chest compressions ended at 207 s: the fourth end-tidal value is there
    # at 225 s; a block of 1 s is complete up to 1 s later.
    assert raised == [pytest.approx(226.0, abs=1.5)]


def test_standing_co2_is_not_taken_for_breathing(result: Result) -> None:
    # The last gasp ends at 371 s; 20 s without a breath are allowed.
    assert result.stands("co2-without-breaths", 393.0)
    # Between compressions, too, it only speaks of pauses in which nothing breathed for 20 s.
    raised = result.raised_s("co2-without-breaths")
    starts = [b["start_s"] for b in (*result.breaths, *result.co2)]
    for at_s in raised:
        assert not [start for start in starts if at_s - 19.0 < start < at_s]


def test_nothing_is_said_twice(result: Result) -> None:
    ids = [advisory["id"] for advisory in result.summary["advisories"]]
    assert len(ids) == len(set(ids))
    assert len(ids) <= 8, "25 minutes of arrest and resuscitation need few, not many, advisories"
