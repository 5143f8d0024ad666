"""Messages lost on the way, against those that came: one lost in a burst is no lost watch."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Final

#: How far back is looked (ms).
WINDOW_MS: Final = 60_000
_MS_PER_S: Final = 1000


@dataclass(slots=True)
class Losses:
    """What came and what is missing in the last minute, by the time of receipt."""

    #: Second of receipt, messages that came in it.
    came: deque[tuple[int, int]] = field(default_factory=deque)
    #: When it was noticed (ms), how many; below zero where a late one turned up after all.
    missing: deque[tuple[int, int]] = field(default_factory=deque)

    def take(self, received_ms: int, newly_missing: int) -> None:
        """Count one message that came, and the holes that it shows."""
        second = received_ms // _MS_PER_S
        if self.came and self.came[-1][0] == second:
            self.came[-1] = (second, self.came[-1][1] + 1)
        else:
            self.came.append((second, 1))
        if newly_missing:
            self.missing.append((received_ms, newly_missing))

    def forget(self, now_ms: int) -> None:
        """Drop what lies outside the window."""
        while self.missing and self.missing[0][0] < now_ms - WINDOW_MS:
            self.missing.popleft()
        while self.came and self.came[0][0] < (now_ms - WINDOW_MS) // _MS_PER_S:
            self.came.popleft()

    def lost(self, now_ms: int) -> int:
        """How many messages of the last minute are missing."""
        since_ms = now_ms - WINDOW_MS
        return max(0, sum(count for at_ms, count in self.missing if at_ms > since_ms))

    def share(self, now_ms: int) -> float | None:
        """Lost ones over all that were sent in the last minute; None when nothing was heard."""
        since_s = (now_ms - WINDOW_MS) // _MS_PER_S
        lost = self.lost(now_ms)
        if not lost:
            # Nearly always: what came needs not be counted then.
            return 0.0 if any(second > since_s for second, _ in reversed(self.came)) else None
        came = sum(count for second, count in self.came if second > since_s)
        return lost / (came + lost)
