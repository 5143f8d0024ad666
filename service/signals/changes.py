"""What has changed since the baseline was learnt: the chest, the tube, a leak, or nothing.

The usual is learnt from the first even inflations of a patient at one setting; every later one is
held against it together with those just before it (`causes`). Only inflations of the ventilator
count. What two breaths in a row do not agree on is not told as sure.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Final

from service.signals.causes import Cause, Change, judge
from service.signals.inflation_law import (
    Marks,
    Rise,
    baseline_rise,
    marks_of,
    together,
    with_other_flow,
)
from service.signals.kinds import Inflation

__all__ = ["Cause", "Change", "ChangeWatch"]

#: Inflations passed over after a change of settings: what was sent before it may come after it,
#: and the first one is not settled.
SETTLING: Final = 1
LATE_AT_MOST: Final = 6
#: Those that make a baseline: as many as come in this time, within these bounds.
LEARN_S: Final = 6.0
LEARNING: Final = (5, 12)
#: They agree when their times differ from the median by no more than this share on average.
MAX_SPREAD: Final = 0.05
#: The last breaths that are looked at together: as many as come in this time, within these bounds.
LOOK_S: Final = 3.0
LOOKED_AT: Final = (3, 6)
#: Two breaths differ when their times or pressures do by this share: a change under way, or
#: breaths that are not alike. What is first seen of such is at most so sure.
DIFFER_SHARE: Final = 0.08
UNDER_WAY_CONFIDENCE: Final = 0.5
#: Breaths further apart than this (s) are not looked at together.
MAX_APART_S: Final = 60.0
#: Circuit over lung compliance can be.
CIRCUIT_BOUNDS: Final = (0.01, 1.5)
#: A step tells of the circuit when it is this share of the height, and so many standard errors.
TELLING_STEP: Final = (0.06, 4.0)


@dataclass(slots=True)
class ChangeWatch:
    """The baseline of one patient at one setting, and what the last breaths say against it."""

    passed: int = 0
    #: Device time of the last change of settings.
    changed_s: float | None = None
    learning: deque[Marks] = field(default_factory=deque)
    usual: Marks | None = None
    still: Rise | None = None
    #: Circuit compliance over lung compliance, where something tells it.
    circuit_share: float | None = None
    recent: deque[Marks] = field(default_factory=deque)
    change: Change | None = None
    #: When the newest inflation began that could be looked at (device time).
    last_s: float | None = None

    def forget(self) -> None:
        """Another patient: nothing of before holds."""
        self.passed = 0
        self.learning.clear()
        self.recent.clear()
        self.changed_s = None
        self.usual = self.still = self.change = self.circuit_share = None

    def settings_changed(self, flow_factor: float | None, at_s: float | None = None) -> None:
        """The team has changed settings: flow by this factor (None: not known, learn anew).

        Target and expiratory time move none of the marks, so the baseline stands; with another
        flow, slope and step are what they were times the factor. `at_s` is device time.
        """
        if flow_factor is None:
            self.forget()
        elif self.still is not None:
            self.still = with_other_flow(self.still, flow_factor)
        self.passed = 0
        self.changed_s = at_s
        self.learning.clear()
        self.recent.clear()

    def add(self, inflation: Inflation, flow_ml_per_s: float | None, circuit: float | None) -> None:
        """Take one inflation of the ventilator; circuit compliance in mL/cmH2O."""
        marks = marks_of(inflation)
        if marks is None:
            return
        self.last_s = marks.start_s
        if self._is_unsettled(marks):
            self.passed += 1
            return
        if self.usual is None or self.still is None:
            self._learn(marks, flow_ml_per_s, circuit)
            return
        if self.recent and not 0.0 < marks.start_s - self.recent[-1].start_s < MAX_APART_S:
            self.recent.clear()
        self._look_at(marks)
        if len(self.recent) >= 2:
            self._judge(self.usual, self.still)

    def _look_at(self, marks: Marks) -> None:
        recent = self.recent
        fewest, most = LOOKED_AT
        recent.append(marks)
        while len(recent) > fewest and marks.start_s - recent[0].start_s > LOOK_S:
            recent.popleft()
        if len(recent) > most:
            recent.popleft()

    def expected_ti_s(self, usual: Marks) -> float:
        """Inspiratory time to expect: as of late, else the usual one with the flow that is set."""
        if self.recent:
            return median(m.ti_s for m in self.recent)
        return self.tight_ti_s(usual)

    def tight_ti_s(self, usual: Marks) -> float:
        """The usual inspiratory time, with the flow that is set now."""
        return usual.ti_s * usual.slope / self.still.slope if self.still else usual.ti_s

    def _is_unsettled(self, marks: Marks) -> bool:
        if self.passed < SETTLING:
            return True
        before = self.changed_s is not None and marks.start_s < self.changed_s
        return before and self.passed < LATE_AT_MOST

    def _learn(self, marks: Marks, flow: float | None, circuit: float | None) -> None:
        learning = self.learning
        if learning and not 0.0 < marks.start_s - learning[-1].start_s < MAX_APART_S:
            learning.clear()
        learning.append(marks)
        fewest, most = LEARNING
        if len(learning) > most:
            learning.popleft()
        if len(learning) < fewest:
            return
        if len(learning) < most and marks.start_s - learning[0].start_s < LEARN_S:
            return
        if not _alike(learning):
            learning.popleft()
            return
        self.usual = together(learning)
        self.still = baseline_rise(self.usual)
        self.circuit_share = _circuit_share(self.usual, flow, circuit)
        learning.clear()
        self.change = Change()

    def _judge(self, usual: Marks, still: Rise) -> None:
        before, newest = self.change or Change(), self.recent[-1]
        seen_before = before.cause != "none"
        now = together(self.recent)
        # Three breaths do not tell how far breaths stray; those of the baseline did.
        now.noise = max(now.noise, usual.scatter / len(self.recent) ** 0.5)
        found = judge(usual, still, now, self.circuit_share, seen_before=seen_before)
        if found.cause != "none":
            if before.cause != found.cause and _differ(self.recent[-2], newest):
                found.confidence = min(found.confidence, UNDER_WAY_CONFIDENCE)
            since_s = before.since_s
            found.since_s = newest.start_s if since_s is None else min(since_s, newest.start_s)
        self.change = found


def _alike(learning: Sequence[Marks]) -> bool:
    times = [m.ti_s for m in learning]
    middle = median(times)
    return median(abs(t - middle) for t in times) <= MAX_SPREAD * middle


def _differ(one: Marks, other: Marks) -> bool:
    """Whether two breaths in a row are not alike, in time or in any pressure."""
    if abs(one.ti_s - other.ti_s) > DIFFER_SHARE * max(one.ti_s, other.ti_s):
        return True
    limit = DIFFER_SHARE * max(one.driving, other.driving)
    return any(abs(a - b) > limit for a, b in zip(one.profile, other.profile, strict=True))


def _circuit_share(usual: Marks, flow: float | None, circuit: float | None) -> float | None:
    """Cc/C from flow and circuit; else from the foot, where the step is clear: s tau / A."""
    low, high = CIRCUIT_BOUNDS
    if flow and circuit is not None:
        total = flow / usual.slope
        if circuit < total:
            return min(max(circuit / (total - circuit), low), high)
    share, errors = TELLING_STEP
    if usual.step < max(share * usual.driving, errors * usual.step_sd) or usual.foot_s <= 0.0:
        return None
    return min(max(usual.slope * usual.foot_s / usual.step, low), high)
