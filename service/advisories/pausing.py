"""A pause of a place: for a short time new advisories are shown and do not speak.

Nothing is hidden by it, and what is of high priority speaks all the same.
"""

from __future__ import annotations

import math
from typing import Final

from service.advisories.model import Pause, PauseEvent
from service.instants import to_text

LONGEST_PAUSE_MIN: Final = 10.0
"""Longest pause (min). Common practice, no source: long enough to suction or to turn an animal."""


def begin(
    standing: Pause | None, *, by: str, minutes: float | None, reason: str | None, now_ms: int
) -> Pause | str:
    """A new pause, or why there cannot be one."""
    if standing is not None:
        until = to_text(standing.until_ms)
        return f"already paused by {standing.by} until {until}; resume first"
    if minutes is None:
        return f"minutes: say how long, up to {LONGEST_PAUSE_MIN:g} min"
    if not (math.isfinite(minutes) and 0.0 < minutes <= LONGEST_PAUSE_MIN):
        return f"minutes: more than 0 and at most {LONGEST_PAUSE_MIN:g}, not {minutes:g}"
    if reason is None or not reason.strip():
        return "reason: say why the place is to be paused"
    # Rounded up: a pause that lasts no time at all would be begun and never be seen.
    return Pause(by, now_ms, now_ms + math.ceil(60_000 * minutes), reason)


def begun(pause: Pause) -> PauseEvent:
    """That the pause begins."""
    return PauseEvent("paused", pause.since_ms, pause.by, pause.reason, pause.until_ms)


def ended(pause: Pause, now_ms: int, by: str | None, reason: str) -> PauseEvent:
    """That the pause ends."""
    return PauseEvent("resumed", now_ms, by, reason, pause.until_ms)
