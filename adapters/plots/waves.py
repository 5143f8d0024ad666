"""Waveforms for drawing: blocks joined to runs, thinned without losing a peak, packed small."""

from __future__ import annotations

import base64
import math
import sys
from array import array
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Any, Final

#: A run goes on while a block starts this close (in samples) to where the last one ended.
_SAME_RUN_SAMPLES: Final = 0.6
#: A packed sample is a whole number of this many steps at most; the lowest value stands for lost.
_STEPS: Final = 32_000
_LOST: Final = -32_768
#: Times are sums of fractions: this part of a sample is none.
_NEARLY: Final = 0.01


@dataclass(slots=True)
class Block:
    """Samples at `start_s` + k / `rate_hz`; NaN is a lost sample."""

    start_s: float
    rate_hz: float
    values: array[float]

    @property
    def end_s(self) -> float:
        return self.start_s + len(self.values) / self.rate_hz


def joined(blocks: Iterable[Block]) -> list[Block]:
    """Blocks of one channel as long runs in order of time; a new run begins where one is lost."""
    runs: list[Block] = []
    for block in sorted(blocks, key=lambda block: block.start_s):
        last = runs[-1] if runs else None
        if (
            last is not None
            and last.rate_hz == block.rate_hz
            and abs(block.start_s - last.end_s) * block.rate_hz <= _SAME_RUN_SAMPLES
        ):
            last.values.extend(block.values)
        else:
            runs.append(Block(block.start_s, block.rate_hz, array("f", block.values)))
    return runs


def thinned(runs: Sequence[Block], most: int) -> list[Block]:
    """The runs with about `most` samples in all: of each stretch its lowest and its highest.

    Both stay in their order, so every peak keeps its height and its time to within a stretch.
    """
    count = sum(len(run.values) for run in runs)
    if count <= most:
        return list(runs)
    # At least two samples of a run that is shorter than a stretch stay as they are.
    size = 2 * math.ceil(count / most)
    return [Block(run.start_s, run.rate_hz * 2 / size, _extremes(run.values, size)) for run in runs]


def _extremes(values: array[float], size: int) -> array[float]:
    kept = array("f")
    for first in range(0, len(values), size):
        part = values[first : first + size]
        known = [value for value in part if not math.isnan(value)]
        if not known:
            kept.extend((math.nan, math.nan))
            continue
        low, high = min(known), max(known)
        kept.extend((low, high) if part.index(low) <= part.index(high) else (high, low))
    return kept


def peak_s(runs: Sequence[Block], from_s: float, to_s: float) -> float | None:
    """When the highest sample between two moments was taken; None where there is no sample."""
    best: tuple[float, float] | None = None
    for run in runs:
        first = max(0, math.ceil((from_s - run.start_s) * run.rate_hz - _NEARLY))
        end = min(len(run.values), math.floor((to_s - run.start_s) * run.rate_hz + _NEARLY) + 1)
        for at in range(first, end):
            value = run.values[at]
            if not math.isnan(value) and (best is None or value > best[0]):
                best = value, run.start_s + at / run.rate_hz
    return None if best is None else best[1]


def line(runs: Sequence[Block], zero_s: float) -> tuple[list[float], list[float | None]]:
    """Times in ms from `zero_s`, and values, with None where samples are lost."""
    times: list[float] = []
    values: list[float | None] = []
    for run in runs:
        if times:
            times.append(times[-1])
            values.append(None)
        start_ms, step_ms = (run.start_s - zero_s) * 1000.0, 1000.0 / run.rate_hz
        times.extend(round(start_ms + at * step_ms, 1) for at in range(len(run.values)))
        values.extend(None if math.isnan(value) else round(value, 3) for value in run.values)
    return times, values


def packed(runs: Sequence[Block], zero_s: float) -> dict[str, Any]:
    """The runs for the page: {step, runs: [[start ms, ms a sample, count]], data}.

    `data` is base64 of little-endian 16-bit whole numbers, in units of `step`.
    """
    values = array("f", chain.from_iterable(run.values for run in runs))
    step = (max((abs(v) for v in values if not math.isnan(v)), default=0.0) or 1.0) / _STEPS
    numbers = array("h", (_LOST if math.isnan(v) else round(v / step) for v in values))
    if sys.byteorder == "big":
        numbers.byteswap()
    return {
        "step": step,
        "runs": [
            [round((run.start_s - zero_s) * 1000.0, 3), 1000.0 / run.rate_hz, len(run.values)]
            for run in runs
        ],
        "data": base64.b64encode(numbers.tobytes()).decode("ascii"),
    }
