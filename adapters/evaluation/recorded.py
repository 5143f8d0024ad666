"""Recordings through the same rule sets: what was said, as nobody knows what was true."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from adapters.evaluation.run import SIDES, Sides
from adapters.evaluation.watching import Bench
from adapters.recordings import read_recording
from adapters.replay import RUN_OUT_MS

_MS_PER_H: Final = 3_600_000.0
_SHOWN: Final = 200


def evaluate_recordings(paths: Sequence[Path], sides: Sides) -> list[dict[str, Any]]:
    """One row a recording: its length, and for each side how much was said, and what.

    RecordingError says what is wrong with a file.
    """
    return [_evaluate(path, sides) for path in paths]


def _evaluate(path: Path, sides: Sides) -> dict[str, Any]:
    arrivals = list(read_recording(path))
    row: dict[str, Any] = {"recording": path.name, "hours": 0.0, "sides": {}}
    if not arrivals:
        return row
    begins_ms, ends_ms = arrivals[0].received_ms, arrivals[-1].received_ms
    bench = Bench(sides.contenders, begins_ms)
    bench.run(arrivals, ends_ms + RUN_OUT_MS)
    hours = (ends_ms - begins_ms) / _MS_PER_H
    row["hours"] = round(hours, 4)
    for side in SIDES:
        spoken = bench.spoken[side]
        row["sides"][side] = {
            "spoken": len(spoken),
            "spoken_per_hour": round(len(spoken) / hours, 2) if hours > 0.0 else None,
            "by_rule": dict(Counter(one.rule for one in spoken).most_common()),
            "advisories": [
                {"rule": one.rule, "place": one.place, "at_s": one.spoken_s, "says": one.says}
                for one in spoken[:_SHOWN]
            ],
        }
    return row
