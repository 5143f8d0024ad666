"""The course of end-tidal CO2 over the last breaths: a washout, a sudden loss, a trend, or none.

When blood no longer brings CO2 to the lung and ventilation goes on, each breath leaves
FRC / (FRC + VT - VD) of the one before: a line in the logarithm, falls of 10 to 25 %. When gas no
longer comes to the analyser (disconnection, extubation, obstruction, apnoea) CO2 is gone at the
next breath that was to come.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import exp, log
from typing import Final

from service.physiology.uncertain import Z95
from service.signals.lines import Curve, fit

#: Labels of a course.
COURSES: Final = ("washout", "sudden-loss", "gradual", "steady", "varying")
#: A breath this much under the last is a fall; a run may hold two other steps (or one in
#: so many), if they rise by no more than this.
FALL: Final = 0.97
SPARED_STEPS: Final = 2
STEPS_FOR_ONE_SPARED: Final = 4
SPARED_RISE: Final = 1.04
#: A washout: so many falls, what a breath leaves of the last lies between these, and no step
#: makes up more than this share of the whole fall.
WASHOUT_FALLS: Final = 3
WASHOUT_RATIO: Final = (0.50, 0.93)
LARGEST_STEP_SHARE: Final = 0.7
#: It begins with a step of at least this share of the usual one.
FIRST_STEP_SHARE: Final = 0.5
#: A sudden loss: CO2 at or under this share of the last breath (or, as that is faster than any
#: washout, of the one before). When no breath is seen, it is
#: judged so many usual periods after the last.
LOST_SHARE: Final = 0.25
LOST_AFTER_PERIODS: Final = 1.5
#: A trend: over so many breaths, a change by this factor at least, surer than its error.
TREND_BREATHS: Final = 6
MAX_BREATHS: Final = 20
TREND_CHANGE: Final = 1.10
#: Deviation around the trend (of the logarithm) from which values count as varying.
VARYING_SD: Final = 0.12
FEWEST_BREATHS: Final = 4
#: What of CO2 is too little to take the logarithm of (mmHg).
LEAST_MMHG: Final = 0.1
#: Two-sided 90 % points of Student's t for 1, 2, 3 ... degrees of freedom, then the normal one.
_T90: Final = (6.314, 2.920, 2.353, 2.132, 2.015, 1.943, 1.895, 1.860, 1.833, 1.812)


@dataclass(frozen=True, slots=True)
class Course:
    """The course, and what a breath leaves of the last one (with a 90 % interval)."""

    label: str
    ratio: float
    low: float
    high: float
    #: Over how many breaths that is.
    breaths: int


@dataclass(frozen=True, slots=True)
class Since:
    """What came after the last breath: for how long (s), and the highest CO2 of it (mmHg)."""

    seconds: float
    highest_mmhg: float
    usual_period_s: float


def course_of(etco2_mmhg: Sequence[float], since: Since | None = None) -> Course | None:
    """Name the course of end-tidal values (mmHg), one a breath, oldest first.

    `since` says what followed the last breath, when that is known. None with fewer than four
    values. Sources: perfect mixing in the residual volume (textbook); rapidly falling peaks while
    ventilation goes on point to failing circulation, a sudden zero to the airway or the circuit
    (Anderson & Breen, Crit Care 2000;4:207).
    """
    values = [max(LEAST_MMHG, value) for value in etco2_mmhg[-MAX_BREATHS:]]
    if len(values) < FEWEST_BREATHS:
        return None
    washing = _washing(values)
    if _lost(values, since) or (washing is None and values[-1] <= LOST_SHARE * values[-3]):
        return _named("sudden-loss", _fitted(values[-FEWEST_BREATHS:]))
    if washing is not None:
        return _named("washout", washing)
    return _trend(values)


def _trend(values: list[float]) -> Course:
    line = _fitted(values)
    change = abs(line.slope) * (len(values) - 1)
    if line.scatter > VARYING_SD:
        label = "varying"
    elif len(values) >= TREND_BREATHS and change >= log(TREND_CHANGE) and _sure(line):
        label = "gradual"
    else:
        label = "steady"
    return _named(label, line)


def _lost(values: list[float], since: Since | None) -> bool:
    """Whether CO2 went in one step: the last breath has almost none, or the next did not come."""
    if (
        since is not None
        and since.seconds >= LOST_AFTER_PERIODS * since.usual_period_s
        and since.highest_mmhg <= LOST_SHARE * values[-1]
    ):
        return True
    return values[-1] <= LOST_SHARE * values[-2]


def _run(values: list[float]) -> int:
    """How many values at the end fall one after another, but for a few."""
    length, spared = 1, 0
    for steps in range(1, len(values)):
        left = values[-steps] / values[-steps - 1]
        if left <= FALL:
            length = steps + 1
            continue
        spared += 1
        if left > SPARED_RISE or spared > max(SPARED_STEPS, steps // STEPS_FOR_ONE_SPARED):
            break
    return length


def _washing(values: list[float]) -> Curve | None:
    """The longest part of the last run that falls as a washout does."""
    for length in range(_run(values), FEWEST_BREATHS - 1, -1):
        line = _washout(values[-length:])
        if line is not None:
            return line
    return None


def _washout(run: list[float]) -> Curve | None:
    steps = [log(later / earlier) for earlier, later in pairwise(run)]
    if sum(step <= log(FALL) for step in steps) < WASHOUT_FALLS:
        return None
    if min(steps) < LARGEST_STEP_SHARE * sum(steps):
        return None
    line = _fitted(run)
    if steps[0] > FIRST_STEP_SHARE * line.slope:
        return None
    lowest, highest = WASHOUT_RATIO
    return line if lowest <= exp(line.slope) <= highest else None


def _fitted(values: list[float]) -> Curve:
    """The line through the logarithms over the number of the breath."""
    return fit([(float(i), log(value)) for i, value in enumerate(values)], may_bend=False)


def _doubt(line: Curve) -> float:
    freedom = line.count - 2
    return line.slope_sd * (_T90[freedom - 1] if freedom <= len(_T90) else Z95)


def _sure(line: Curve) -> bool:
    return abs(line.slope) > _doubt(line)


def _named(label: str, line: Curve) -> Course:
    doubt, slope = _doubt(line), line.slope
    return Course(label, exp(slope), exp(slope - doubt), exp(slope + doubt), line.count)
