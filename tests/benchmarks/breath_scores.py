"""How well inflations were found: recall, precision, error of the onset."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from benchmarks.breath_peers import Detection
from benchmarks.breath_records import Record

#: The instant of a detection may lie this far outside the true inflation (s).
SLACK_S = 0.05


@dataclass(frozen=True)
class Score:
    """A share is None where there is nothing to share; times in s."""

    record: str
    finder: str
    true: int
    found: int
    hits: int
    recall: float | None
    precision: float | None
    onset_median_s: float | None
    onset_95_s: float | None
    missed_s: list[float] = field(default_factory=list)
    false_s: list[float] = field(default_factory=list)

    def as_row(self) -> dict[str, Any]:
        """For JSON."""
        return asdict(self)


def score(record: Record, finder: str, detections: list[Detection]) -> Score:
    """One detection for one inflation: a second one within the same inflation is false."""
    hit: dict[int, Detection] = {}
    false_s = []
    for detection in sorted(detections, key=lambda one: one[1]):
        if _inflation_at(record.partial, detection[1]) is not None:
            continue
        at = _inflation_at(record.inflations, detection[1])
        if at is None or at in hit:
            false_s.append(round(detection[1], 2))
        else:
            hit[at] = detection
    errors = [abs(hit[at][0] - record.inflations[at][0]) for at in sorted(hit)]
    errors = [error for error in errors if not np.isnan(error)]
    true, found = len(record.inflations), len(hit) + len(false_s)
    return Score(
        record=record.name,
        finder=finder,
        true=true,
        found=found,
        hits=len(hit),
        recall=len(hit) / true if true else None,
        precision=len(hit) / found if found else None,
        onset_median_s=float(np.median(errors)) if errors else None,
        onset_95_s=float(np.percentile(errors, 95)) if errors else None,
        missed_s=[
            round(start, 2) for at, (start, _) in enumerate(record.inflations) if at not in hit
        ],
        false_s=false_s,
    )


def _inflation_at(inflations: list[tuple[float, float]], at_s: float) -> int | None:
    for number, (start_s, end_s) in enumerate(inflations):
        if start_s - SLACK_S <= at_s <= end_s + SLACK_S:
            return number
    return None
