"""How a waveform has been watched of late: lost samples, and a value that stands still.

What was not seen is not missing from the patient, and what stands still is not a patient at rest.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

KEPT_BLOCKS_S: Final = 11.0


@dataclass(slots=True)
class Watched:
    """Follows one waveform block by block. All times are device time in s."""

    # Blocks of the last seconds: end, samples, lost ones.
    blocks: deque[tuple[float, int, int]] = field(default_factory=deque)
    # Since when it has been the same to the last digit, and that value.
    still_since_s: float | None = None
    still_at: float | None = None

    def take(self, end_s: float, samples: Sequence[tuple[float, float | None]]) -> None:
        """Take one block: its samples with their times, None where one was lost."""
        seen = [(t, value) for t, value in samples if value is not None]
        self._follow_stillness(seen)
        self.blocks.append((end_s, len(samples), len(samples) - len(seen)))
        while self.blocks[0][0] < end_s - KEPT_BLOCKS_S:
            self.blocks.popleft()

    def still_for_s(self, now_s: float) -> float | None:
        """For how long its value has not moved; None while nothing has come."""
        since_s = self.still_since_s
        return None if since_s is None else max(0.0, now_s - since_s)

    def counts(self, now_s: float, seconds: float) -> tuple[int, int]:
        """Samples of the blocks that ended in the last `seconds`, and how many of them were lost.

        `seconds` is at most `KEPT_BLOCKS_S`.
        """
        recent = [block for block in self.blocks if block[0] > now_s - seconds]
        return sum(count for _, count, _ in recent), sum(lost for _, _, lost in recent)

    def _follow_stillness(self, seen: Sequence[tuple[float, float]]) -> None:
        """Since when the last value has been the same; looked for from the newest back."""
        if not seen:
            return
        begun_s, last = seen[-1]
        for t, value in reversed(seen):
            if value != last:
                break
            begun_s = t
        else:
            if last == self.still_at:
                return
        self.still_since_s, self.still_at = begun_s, last
