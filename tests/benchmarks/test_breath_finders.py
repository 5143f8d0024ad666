"""The breath finder beside SciPy's and NeuroKit's peak finders: same samples, same run.

Quality is held against truth (the simulated ventilator's own log; the animal's, see
`published/animal_truth.py`), speed is a ratio within the run. The tables are printed (pytest -s)
and written as JSON to build/benchmarks/breath_finders.json (or where TIDEWARDEN_BENCHMARKS says).
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median
from typing import Any

import pytest
from benchmarks.breath_peers import FINDERS, blocks, neurokit, scipy_peaks
from benchmarks.breath_records import PLACES, Record, animal_records, simulated
from benchmarks.breath_scores import Score, score
from benchmarks.plain_loop import loop_s
from published.animal_recording import fetch
from published.fetching import fetched

from service.signals.breaths import BreathFinder

pytestmark = pytest.mark.alone

FOLDER = Path(os.environ.get("TIDEWARDEN_BENCHMARKS", "build/benchmarks"))
OURS = FINDERS[0].name
WINDOW_S = 30.0
ROUNDS = 3
#: Against plain Python that looks at each sample once; measured at 5 to 7.
MOST_TIMES_THE_LOOP = 12.0


def _note(key: str, rows: list[dict[str, Any]]) -> None:
    FOLDER.mkdir(parents=True, exist_ok=True)
    path = FOLDER / "breath_finders.json"
    tables = json.loads(path.read_text()) if path.is_file() else {}
    path.write_text(json.dumps({**tables, key: rows}, indent=1) + "\n")


def _scores(records: list[Record]) -> list[Score]:
    return [score(record, each.name, each.find(record)) for record in records for each in FINDERS]


def _print(scores: list[Score]) -> None:
    print(
        f"\n{'record':38}{'finder':18}{'true':>5}{'recall':>8}{'precis.':>8}"
        f"{'onset ms: median':>18}{'95 %':>7}"
    )
    for one in scores:
        print(
            f"{one.record:38}{one.finder:18}{one.true:5}{_share(one.recall)}{_share(one.precision)}"
            f"{_ms(one.onset_median_s):>18}{_ms(one.onset_95_s):>7}"
        )
        if one.finder == OURS and (one.missed_s or one.false_s):
            print(f"    missed at {one.missed_s} s; false at {one.false_s} s")


def _share(share: float | None) -> str:
    return f"{'-' if share is None else f'{share:.3f}':>8}"


def _ms(seconds: float | None) -> str:
    return "-" if seconds is None else f"{1000.0 * seconds:.0f}"


def _behind(scores: list[Score]) -> set[str]:
    """Records on which ours has neither the best recall nor shares it, or so with precision."""
    names = dict.fromkeys(one.record for one in scores)
    return {name for name in names if _is_behind([one for one in scores if one.record == name])}


def _is_behind(scores: list[Score]) -> bool:
    rows = {one.finder: one for one in scores}
    mine = rows.pop(OURS)
    if mine.true == 0:
        return mine.found > 0
    recall = max(row.recall or 0.0 for row in rows.values())
    # A peer that finds a few sure breaths is precise for free: only those that find most count.
    able = [row.precision or 0.0 for row in rows.values() if (row.recall or 0.0) >= 0.8]
    return (mine.recall or 0.0) < recall or (mine.precision or 0.0) < max(able, default=0.0)


def test_simulated_places() -> None:
    records = [simulated(place, seed) for seed, place in enumerate(PLACES)]
    scores = _scores(records)
    _print(scores)
    _note("simulated", [one.as_row() for one in scores])
    assert _behind(scores) == set()


def test_the_animal() -> None:
    source = fetched(fetch)
    scores = _scores(animal_records(source))
    _print(scores)
    _note("animal", [one.as_row() for one in scores])
    assert _behind(scores) == set()


@pytest.mark.slow
def test_speed_as_a_ratio() -> None:
    record = simulated(PLACES[0], 1, 600)
    given = blocks(record)

    def streaming() -> None:
        finder = BreathFinder()
        for samples in given:
            finder.feed(samples, "benchmark")

    ways: dict[str, tuple[Callable[[], object], float]] = {
        f"{OURS}, streaming": (streaming, record.duration_s),
    }
    khodadad = neurokit("khodadad2018", "khodadad2018")
    for name, find in (("scipy find_peaks", scipy_peaks), ("nk khodadad2018", khodadad)):
        ways[f"{name}, whole file"] = (lambda find=find: find(record), record.duration_s)
        ways[f"{name}, window of 30 s"] = (lambda find=find: _sliding(record, find), 60.0)
    rounds: dict[str, list[float]] = {name: [] for name in ways}
    for _ in range(ROUNDS):
        for name, (run, covers_s) in ways.items():
            began = time.perf_counter()
            run()
            rounds[name].append(covers_s / (time.perf_counter() - began))
    rates = {name: median(of) for name, of in rounds.items()}
    mine = rates[f"{OURS}, streaming"]
    print(f"\n{'one channel at 100 Hz in blocks of 1 s':42}{'x real time':>14}{'ours / it':>12}")
    for name, rate in rates.items():
        print(f"{name:42}{rate:14,.0f}{mine / rate:12.2f}")
    _note(
        "speed",
        [
            {"way": name, "times_real_time": rate, "ours_over_it": mine / rate}
            for name, rate in rates.items()
        ],
    )
    times = min(_processor_s(streaming) for _ in range(ROUNDS)) / loop_s(record.pressure_cmh2o)
    print(f"{times:.1f} times as long as a plain loop over the samples")
    assert times < MOST_TIMES_THE_LOOP
    # Live, a peer has to look at its window again with every block.
    assert all(mine > rate for name, rate in rates.items() if "window" in name)


def _processor_s(run: Callable[[], object]) -> float:
    begin = time.process_time()
    run()
    return time.process_time() - begin


def _sliding(record: Record, find: Callable[[Record], object], seconds: int = 60) -> None:
    size = int(WINDOW_S * record.rate_hz)
    for end_s in range(int(WINDOW_S), int(WINDOW_S) + seconds):
        end = int(end_s * record.rate_hz)
        part = record.pressure_cmh2o[end - size : end]
        find(Record(record.name, record.rate_hz, record.at_s(end - size), part, []))


def test_the_measure_itself() -> None:
    record = Record(
        "two", 100.0, 0.0, simulated(PLACES[0], 1, 5).pressure_cmh2o, [(1.0, 2.0), (4.0, 5.0)]
    )
    twice = score(record, "x", [(1.1, 1.5), (1.2, 1.6), (3.0, 3.1)])
    assert (twice.hits, twice.recall, twice.precision) == (1, 0.5, 1 / 3)
    assert twice.onset_median_s == pytest.approx(0.1)
    assert (twice.missed_s, twice.false_s) == ([4.0], [1.6, 3.1])
