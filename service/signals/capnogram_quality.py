"""How far one breath in CO2 may be trusted, and why not further."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from service.signals.capnogram_shape import Shape

#: So many points from the rise to the fall make a breath well seen.
ENOUGH_POINTS: Final = 5
#: A swing of so many deviations of the noise is clear.
CLEAR_SD: Final = 15.0
WITHOUT_PLATEAU: Final = 0.7
#: The same highest value so many times, at a level where ranges of analysers end (our choice).
SATURATED_POINTS: Final = 5
SATURATED_MMHG: Final = 70.0
SATURATED: Final = 0.3


@dataclass(slots=True)
class Judged:
    """Quality from 0 to 1, and the chief reason when under 1."""

    quality: float
    why: str


def judged(shape: Shape, values: list[float], noise: float, lost: int) -> Judged:
    """Weigh what speaks against a breath: `noise` in mmHg, `lost` samples while it lasted."""
    swing = shape.etco2_mmhg - shape.inspired_mmhg
    highest = max(values)
    saturated = highest >= SATURATED_MMHG and values.count(highest) >= SATURATED_POINTS
    shares = {
        "at the end of the analyser's range": SATURATED if saturated else 1.0,
        "samples lost": max(0.0, 1.0 - 2.0 * lost / (lost + len(values))),
        "few samples": min(1.0, shape.points / ENOUGH_POINTS),
        "small against the noise": min(1.0, max(0.0, swing) / (CLEAR_SD * noise)),
        "no plateau": WITHOUT_PLATEAU if shape.slope is None else 1.0,
    }
    quality = 1.0
    for share in shares.values():
        quality *= share
    return Judged(quality, "" if quality >= 1.0 else min(shares, key=lambda why: shares[why]))
