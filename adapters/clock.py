"""The clock of a live service."""

from __future__ import annotations

import time


class SystemClock:
    """Milliseconds since 1970 (UTC) that never run backwards, whatever is done to the machine's."""

    def __init__(self, not_before_ms: int = 0) -> None:
        self._last_ms = not_before_ms

    def now_ms(self) -> int:
        """The time of receipt of what is received now."""
        self._last_ms = max(self._last_ms, time.time_ns() // 1_000_000)
        return self._last_ms
