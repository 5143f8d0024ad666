"""What the voltage says of the end: whether it falls as evenly as before, or collapses.

Every common chemistry holds its voltage up and lets go near the end. How steep the fall now is,
over how steep it was in this discharge, tells the two apart without knowing the chemistry or how
many cells there are. Compared at a steady current only: a change of load moves the voltage too.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median
from typing import Final

#: Voltage is kept as means over bins of equal length; when there are too many, pairs are merged.
FIRST_BIN_MS: Final = 30_000
KEPT_BINS: Final = 64
#: The newest bins are compared with those before them (without the first quarter, in which a
#: battery settles), once there are enough.
NEW_BINS: Final = 2
LEAST_BINS: Final = 12
#: So many times as steep as before is a collapse.
COLLAPSE: Final = 2.0
#: A fall is seen when it is this share of the voltage and this many times its scatter.
SEEN_SHARE: Final = 0.004
SEEN_SCATTERS: Final = 3.0
#: The current is steady when the newest bins differ by less than this share.
STEADY_SHARE: Final = 0.10
#: Without current a collapse must last for so many bins: a change of load looks like one.
UNSURE_BINS: Final = 3
#: Where a device gives up, as a share of the voltage at half time: a lithium cell at 3.0 V of
#: 3.75 V at the latest, many devices sooner (common practice, no source).
LATEST_END: Final = 0.80
EARLIEST_END: Final = 0.88
#: A collapse goes on steepening: it takes about half as long as straight on.
STEEPENS: Final = 2.0
_MS_PER_MIN: Final = 60_000.0


@dataclass(frozen=True, slots=True)
class Bin:
    """Means of `readings` readings: time in ms, voltage in V, current in A or None."""

    at_ms: float
    voltage_v: float
    current_a: float | None
    readings: int = 1


@dataclass(slots=True)
class Voltage:
    """The voltage of this discharge. `collapse_bins` counts the bins for which it has collapsed."""

    bins: list[Bin] = field(default_factory=list)
    open: Bin | None = None
    opened_ms: int = 0
    now_v: float = 0.0
    bin_ms: int = FIRST_BIN_MS
    collapse_bins: int = 0
    v_per_min: float = 0.0

    def add(self, at_ms: int, voltage_v: float, current_a: float | None) -> None:
        """Take one reading in V, with the current in A where it is sent."""
        self.now_v = voltage_v
        reading = Bin(float(at_ms), voltage_v, current_a)
        if self.open is None:
            self.open, self.opened_ms = reading, at_ms
            return
        self.open = _merged(self.open, reading)
        if at_ms - self.opened_ms < self.bin_ms:
            return
        self.bins.append(self.open)
        self.open = None
        if len(self.bins) > KEPT_BINS:
            self.bins = [
                _merged(*self.bins[i : i + 2]) if i + 1 < len(self.bins) else self.bins[i]
                for i in range(0, len(self.bins), 2)
            ]
            self.bin_ms *= 2
        self._assess()

    def collapsing(self) -> bool:
        """Whether the voltage is collapsing."""
        if not self.bins:
            return False
        sure = self.bins[-1].current_a is not None
        return self.collapse_bins >= (1 if sure else UNSURE_BINS)

    def minutes_to(self, end_share: float) -> float | None:
        """Minutes until `end_share` of the voltage at half time, while it is collapsing."""
        if not self.collapsing() or self.v_per_min <= 0.0:
            return None
        half_time_v = self.bins[len(self.bins) // 2].voltage_v
        return max(0.0, self.now_v - end_share * half_time_v) / self.v_per_min / STEEPENS

    def _assess(self) -> None:
        if len(self.bins) < LEAST_BINS:
            return
        before, new = self.bins[len(self.bins) // 4 : -NEW_BINS], self.bins[-NEW_BINS - 1 :]
        if not _steady(new):
            return
        seen_v = max(SEEN_SHARE * new[0].voltage_v, SEEN_SCATTERS * _scatter_v(before))
        now = _fall(new[0], new[-1])
        fell_v = new[0].voltage_v - new[-1].voltage_v
        collapse = now >= COLLAPSE * max(0.0, _usual_fall(before)) and fell_v >= seen_v
        self.collapse_bins = min(self.collapse_bins + 1, UNSURE_BINS) if collapse else 0
        self.v_per_min = now * (new[-1].current_a or 1.0)


def _merged(one: Bin, other: Bin) -> Bin:
    total = one.readings + other.readings
    share = other.readings / total
    current_a = None
    if one.current_a is not None and other.current_a is not None:
        current_a = one.current_a + share * (other.current_a - one.current_a)
    return Bin(
        one.at_ms + share * (other.at_ms - one.at_ms),
        one.voltage_v + share * (other.voltage_v - one.voltage_v),
        current_a,
        total,
    )


def _fall(one: Bin, other: Bin) -> float:
    """Fall of the voltage in V/min, for each ampere where current is sent."""
    minutes = (other.at_ms - one.at_ms) / _MS_PER_MIN
    current_a = 1.0
    if one.current_a is not None and other.current_a is not None:
        current_a = (one.current_a + other.current_a) / 2.0
    return (one.voltage_v - other.voltage_v) / minutes / current_a if minutes > 0.0 else 0.0


def _usual_fall(bins: list[Bin]) -> float:
    span = max(1, len(bins) // 8)
    return median(_fall(bins[i], bins[i + span]) for i in range(len(bins) - span))


def _scatter_v(bins: list[Bin]) -> float:
    steps = [b.voltage_v - a.voltage_v for a, b in pairwise(bins)]
    bends = [abs(b - a) for a, b in pairwise(steps)]
    return median(bends) if bends else 0.0


def _steady(bins: list[Bin]) -> bool:
    currents = [b.current_a for b in bins if b.current_a is not None]
    return not currents or max(currents) - min(currents) <= STEADY_SHARE * max(currents)
