"""Blocks of one waveform put in order: contiguous runs for the analysis, and gaps where lost.

A block that comes before its predecessor is held for a moment; when the predecessor does not come
the hole is declared a gap, and what arrives for it later is stored but no longer analysed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

#: How long a block may wait for its predecessor, in received time.
HOLD_MS: Final = 500
#: A block may start this far from where the last one ended and still join it without a gap.
JITTER_S: Final = 0.02
#: Clock corrections of a device that run backwards by more than this start a new run.
BACKWARDS_S: Final = 5.0


@dataclass(slots=True)
class Block:
    """Samples at `start_s` + k / `rate_hz`, device time in s since 1970; a lost sample is None."""

    start_s: float
    rate_hz: float
    samples: list[float | None]
    received_ms: int
    reference: str

    @property
    def end_s(self) -> float:
        return self.start_s + len(self.samples) / self.rate_hz


@dataclass(slots=True)
class Piece:
    """A block ready for analysis; `gap_s` is what was lost just before it (0 when it joins)."""

    block: Block
    gap_s: float


@dataclass(slots=True)
class Assembler:
    """The state of one channel at one place."""

    end_s: float | None = None
    waiting: list[Block] = field(default_factory=list)
    late_blocks: int = 0
    gaps: int = 0

    def add(self, block: Block) -> list[Piece]:
        """Take a block; returns what is now ready, in order."""
        if self.end_s is not None and block.end_s <= self.end_s - JITTER_S:
            if self.end_s - block.end_s < BACKWARDS_S:
                self.late_blocks += 1
                return []
            # The device's clock was set back: what follows is a new run.
            self.end_s, self.waiting = None, []
        self.waiting.append(block)
        self.waiting.sort(key=lambda waiting: waiting.start_s)
        return list(self._joined())

    def due(self, now_ms: int) -> list[Piece]:
        """What must not wait any longer at `now_ms`; declares the gap before it."""
        pieces: list[Piece] = []
        while self.waiting and now_ms - self.waiting[0].received_ms >= HOLD_MS:
            pieces.append(self._take())
            pieces.extend(self._joined())
        return pieces

    def next_due_ms(self) -> int | None:
        """When `due` has to be asked again, if anything waits."""
        return self.waiting[0].received_ms + HOLD_MS if self.waiting else None

    def _joined(self) -> Iterator[Piece]:
        while self.waiting and (
            self.end_s is None or self.waiting[0].start_s <= self.end_s + self._slack_s()
        ):
            yield self._take()

    def _slack_s(self) -> float:
        return max(JITTER_S, 1.5 / self.waiting[0].rate_hz)

    def _take(self) -> Piece:
        slack_s = self._slack_s()
        block = self.waiting.pop(0)
        gap_s = 0.0 if self.end_s is None else block.start_s - self.end_s
        self.end_s = block.end_s if self.end_s is None else max(self.end_s, block.end_s)
        if gap_s <= slack_s:
            return Piece(block, 0.0)
        self.gaps += 1
        return Piece(block, gap_s)
