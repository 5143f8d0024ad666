"""Which messages of a device have been seen: repeats, gaps and late arrivals by sequence number.

A device numbers its messages from one counter over all kinds, and takes a new `epoch` at each
start. What was seen is kept as intervals, so a device without losses costs one interval.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field

#: More holes than this in one epoch are closed from the oldest on: those numbers count as lost.
MAX_INTERVALS = 2000
#: Epochs remembered for each device; a device that restarts more often is forgotten oldest first.
MAX_EPOCHS = 8


@dataclass(slots=True)
class Epoch:
    """The numbers seen since one start of a device, as sorted, disjoint, inclusive intervals."""

    intervals: list[list[int]] = field(default_factory=list)
    first_live: int | None = None
    highest_live: int | None = None

    def seen(self, seq: int) -> bool:
        """Whether `seq` was received (or was given up as lost and closed)."""
        at = bisect_right(self.intervals, [seq, 1 << 62]) - 1
        return at >= 0 and self.intervals[at][0] <= seq <= self.intervals[at][1]

    def add(self, seq: int) -> None:
        """Remember `seq`, which must not have been seen."""
        at = bisect_right(self.intervals, [seq, 1 << 62])
        joins_left = at > 0 and self.intervals[at - 1][1] == seq - 1
        joins_right = at < len(self.intervals) and self.intervals[at][0] == seq + 1
        if joins_left and joins_right:
            self.intervals[at - 1][1] = self.intervals[at][1]
            del self.intervals[at]
        elif joins_left:
            self.intervals[at - 1][1] = seq
        elif joins_right:
            self.intervals[at][0] = seq
        else:
            self.intervals.insert(at, [seq, seq])
        if len(self.intervals) > MAX_INTERVALS:
            self.intervals[0][1] = self.intervals[1][1]
            del self.intervals[1]

    def missing_between(self, low: int, high: int) -> int:
        """How many numbers strictly between `low` and `high` were not seen."""
        seen = 0
        for first, last in reversed(self.intervals):
            if last <= low:
                break
            seen += max(0, min(last, high - 1) - max(first, low + 1) + 1)
        return high - low - 1 - seen

    def counts_as_missing(self, seq: int) -> bool:
        """Whether `seq`, not seen so far, has been counted as missing."""
        if self.first_live is None or self.highest_live is None:
            return False
        return self.first_live < seq < self.highest_live


@dataclass(frozen=True, slots=True)
class Verdict:
    """What one sequence number tells: a repeat, a late arrival, or so many newly missing.

    `newly_missing` is -1 when a number that was counted as missing has come after all.
    """

    repeat: bool = False
    late: bool = False
    newly_missing: int = 0
    restarted: bool = False


@dataclass(slots=True)
class DeviceSequences:
    """All that is remembered of one device, with its running totals."""

    epochs: dict[str, Epoch] = field(default_factory=dict)
    received: int = 0
    repeats: int = 0
    late: int = 0
    missing: int = 0
    restarts: int = 0

    def judge(self, epoch_name: str, seq: int, *, retained: bool) -> Verdict:
        """Take one number. `retained` messages may be old: they open no gap and are never late."""
        epoch = self.epochs.get(epoch_name)
        restarted = epoch is None and bool(self.epochs)
        if epoch is None:
            epoch = self.epochs[epoch_name] = Epoch()
            self.restarts += restarted
            while len(self.epochs) > MAX_EPOCHS:
                del self.epochs[next(iter(self.epochs))]
        if epoch.seen(seq):
            self.repeats += 1
            return Verdict(repeat=True)
        self.received += 1
        late, newly_missing = False, -1 if epoch.counts_as_missing(seq) else 0
        if not retained:
            late, newly_missing = self._place(epoch, seq, newly_missing)
        self.late += late
        self.missing += newly_missing
        epoch.add(seq)
        return Verdict(late=late, newly_missing=newly_missing, restarted=restarted)

    def _place(self, epoch: Epoch, seq: int, newly_missing: int) -> tuple[bool, int]:
        """Whether a live number is late, and how the count of missing ones changes."""
        highest = epoch.highest_live
        if highest is not None and seq < highest:
            return True, newly_missing
        if highest is None:
            epoch.first_live = seq
        else:
            newly_missing = epoch.missing_between(highest, seq)
        epoch.highest_live = seq
        return False, newly_missing
