"""The floor under what looks at every sample: plain Python that multiplies and compares each."""

from __future__ import annotations

import time
from collections.abc import Sequence


def loop_s(values: Sequence[float | None]) -> float:
    """Processor time of the loop over these values, the best of three (s)."""
    return min(_once_s(values) for _ in range(3))


def _once_s(values: Sequence[float | None]) -> float:
    begin = time.process_time()
    total = high = 0.0
    for value in values:
        if value is not None:
            total += value * value
            high = max(high, value)
    taken = time.process_time() - begin
    assert total >= high
    return taken
