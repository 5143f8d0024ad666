"""What has changed since the baseline was learnt: the chest, the tube, a leak, or nothing.

A pressure-cycled inflation by constant flow is one lung behind a resistance and a circuit (Bates,
Lung Mechanics, 2009). Pressure over the baseline, `u` seconds after the start, is

    P(u) = s u + A (1 - exp(-u / tau))

with s = Q/(C + Cc), A = R Q (C/(C + Cc))^2 and tau = R C Cc/(C + Cc). Each cause moves these by
one number, the same for all three:

    stiffer chest (a main bronchus alone, too)   s up, A and tau a little down
    narrower tube or airway                      A and tau up, s as before
    leak                                         the rise flags towards the peak
    other fresh gas flow                         s and A up or down together
    total occlusion                              the circuit alone: target reached at once

Each is fitted to the last breaths, and how well each fits gives how sure one can be. Where two fit
alike, neither is told as sure.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from statistics import median
from typing import Final, Literal

from service.signals.kinds import Inflation
from service.signals.ramp import PROFILE_AT

Cause = Literal[
    "none", "compliance-down", "compliance-up", "resistance-up", "resistance-down", "leak",
    "less-leak", "flow", "occlusion", "unclear",
]  # fmt: skip

#: Breaths passed over after a change of settings, and those that make a baseline.
SETTLING: Final = 1
LEARNING: Final = 5
#: They agree when their times differ from the median by no more than this share on average.
MAX_SPREAD: Final = 0.05
#: The last breaths that are looked at together.
LOOKED_AT: Final = 3
#: Least standard errors: what a lung varies by and no model holds closer.
PRESSURE_SD_SHARE: Final = 0.015
TIME_SD_SHARE: Final = 0.015
#: A change has to be seen: times or pressures by this share, and this far beyond their errors.
SEEN_SHARE: Final = 0.08
SEEN_CHI2: Final = 16.0
#: How often each cause is met before anything is seen (ours, no source). A flow that nobody
#: confirmed is rare but possible: a flowmeter is turned by hand.
PRIOR: Final[dict[Cause, float]] = {
    "compliance-down": 0.30, "compliance-up": 0.08, "resistance-up": 0.22, "resistance-down": 0.05,
    "leak": 0.22, "less-leak": 0.03, "flow": 0.06, "occlusion": 0.04,
}  # fmt: skip
#: By how much a cause usually changes things (standard deviation of the logarithm of its factor;
#: ours, no source): a lung of a fifth of its compliance is rarer than a closed tube.
USUAL_SIZE: Final[dict[Cause, float]] = {
    "compliance-down": 0.7, "compliance-up": 0.7, "resistance-up": 1.6, "resistance-down": 1.0,
    "flow": 0.4,
}  # fmt: skip
#: What fits nothing: as likely as a fit that is out by so much.
UNCLEAR_PRIOR: Final = 0.05
UNCLEAR_CHI2: Final = 14.0
#: Circuit over lung compliance where it is not known, and what of it can be.
CIRCUIT_SHARES: Final = (0.03, 0.1, 0.25, 0.5)
CIRCUIT_BOUNDS: Final = (0.01, 1.5)
CIRCUIT_ERRORS: Final = (0.75, 1.0, 1.33)
#: A step tells of the circuit when it is this share of the height, and so many standard errors.
TELLING_STEP: Final = (0.06, 4.0)
#: Where factors are looked for, and how closely.
COMPLIANCE_BOUNDS: Final = (0.004, 4.0)
FLOW_BOUNDS: Final = (0.25, 4.0)
LEAK_BOUNDS: Final = (0.005, 0.99)
LEAST_STEP_SHARE: Final = 0.02
RUNGS: Final = 20
HALVINGS: Final = 9
#: A leak belongs to the baseline when it explains so much of how its ramp flags.
LEAK_SEEN_CHI2: Final = 9.0
#: A lung of less than this share of its compliance is a closed tube for the ventilator.
CLOSED_SHARE: Final = 0.1


@dataclass(slots=True)
class Marks:
    """What one or several inflations show. Pressures over the baseline in cmH2O, times in s.

    `profile` holds pressures at `PROFILE_AT` of `ti_s`; `slope`, `step` and `foot_s` are those of
    the fitted ramp, and matter only in the baseline. `noise` is the error of a pressure.
    """

    ti_s: float
    driving: float
    baseline: float
    profile: list[float]
    slope: float
    step: float
    step_sd: float
    foot_s: float
    ti_sd: float
    noise: float


@dataclass(slots=True)
class Rise:
    """How pressure rises over the baseline: s, A, tau, and the leak.

    `lost_per_cmh2o` is the share of the flow that leaks for each cmH2O of airway pressure, which
    is `baseline` at the start. `left` is what the form leaves unexplained at `PROFILE_AT`.
    """

    slope: float
    step: float
    foot_s: float
    baseline: float
    lost_per_cmh2o: float = 0.0
    left: tuple[float, ...] = ()

    def at(self, u: float) -> float:
        """Pressure over the baseline in cmH2O, `u` seconds after the start."""
        step = self.step
        if self.foot_s > 0.0:
            step *= -math.expm1(-u / self.foot_s)
        lost = self.lost_per_cmh2o
        if lost <= 0.0:
            return self.slope * u + step
        # What leaks is missing from the flow: the lung fills towards 1/lost and not for ever.
        base = max(0.0, self.baseline)
        filled = -math.expm1(-self.slope * lost * u / (1.0 + lost * step))
        lung = base + (1.0 / lost - base) * filled
        return (lung + step) / (1.0 + lost * step) - base


@dataclass(slots=True)
class Change:
    """What has most likely changed: how sure (0 to 1), by what factor, since when.

    `second` is the next likely cause. `factor` is compliance, resistance or flow over the
    baseline's, or for a leak the share of the fresh gas that escapes at the peak. `since_s` is
    device time.
    """

    cause: Cause = "none"
    confidence: float = 1.0
    factor: float | None = None
    second: Cause | None = None
    since_s: float | None = None


@dataclass(slots=True)
class ChangeWatch:
    """The baseline of one patient at one setting, and what the last breaths say against it."""

    passed: int = 0
    learning: deque[Marks] = field(default_factory=deque)
    usual: Marks | None = None
    still: Rise | None = None
    #: Circuit compliance over lung compliance, where something tells it.
    circuit_share: float | None = None
    recent: deque[Marks] = field(default_factory=deque)
    change: Change | None = None

    def forget(self) -> None:
        """Another patient: nothing of before holds."""
        self.passed = 0
        self.learning.clear()
        self.recent.clear()
        self.usual = self.still = self.change = self.circuit_share = None

    def settings_changed(self, flow_factor: float | None) -> None:
        """The team has changed settings: flow by this factor (None: not known, learn anew).

        Target and expiratory time move none of the marks, so the baseline stands; with another
        flow, slope and step are what they were times the factor.
        """
        self.passed = 0
        self.learning.clear()
        self.recent.clear()
        if flow_factor is None:
            self.forget()
        elif self.still is not None:
            self.still = _other_flow(self.still, flow_factor)

    def add(self, inflation: Inflation, flow_ml_per_s: float | None, circuit: float | None) -> None:
        """Take one inflation of the ventilator; circuit compliance in mL/cmH2O."""
        marks = marks_of(inflation) if inflation.kind == "ventilator" else None
        if marks is None:
            return
        if self.passed < SETTLING:
            self.passed += 1
            return
        if self.usual is None or self.still is None:
            self._learn(marks, flow_ml_per_s, circuit)
            return
        self.recent.append(marks)
        if len(self.recent) > LOOKED_AT:
            self.recent.popleft()
        if len(self.recent) >= 2:
            self._judge(self.usual, self.still, inflation.start_s)

    def _learn(self, marks: Marks, flow: float | None, circuit: float | None) -> None:
        self.learning.append(marks)
        if len(self.learning) > LEARNING:
            self.learning.popleft()
        if len(self.learning) < LEARNING:
            return
        times = [m.ti_s for m in self.learning]
        middle = median(times)
        if median(abs(t - middle) for t in times) > MAX_SPREAD * middle:
            return
        self.usual = together(self.learning)
        self.still = baseline_rise(self.usual)
        self.circuit_share = _circuit_share(self.usual, flow, circuit)
        self.learning.clear()
        self.change = Change()

    def _judge(self, usual: Marks, still: Rise, now_s: float) -> None:
        found = judge(usual, still, together(self.recent), self.circuit_share)
        before = self.change
        if found.cause != "none":
            since = before is not None and before.cause != "none" and before.since_s
            found.since_s = since or now_s
        self.change = found


def marks_of(inflation: Inflation) -> Marks | None:
    """The marks of an inflation; None where its ramp could not be read."""
    slope, step = inflation.slope_cmh2o_per_s, inflation.step_cmh2o
    if inflation.profile_cmh2o is None or slope is None or step is None or slope <= 0.0:
        return None
    return Marks(
        ti_s=inflation.ti_s,
        driving=inflation.driving_cmh2o,
        baseline=inflation.baseline_cmh2o,
        profile=list(inflation.profile_cmh2o),
        slope=slope,
        step=step,
        step_sd=inflation.step_sd_cmh2o or 0.0,
        foot_s=inflation.foot_s or 0.0,
        ti_sd=inflation.ti_sd_s,
        noise=inflation.pip_sd_cmh2o,
    )


def together(marks: Sequence[Marks]) -> Marks:
    """Medians of several, with the errors of these."""
    root = math.sqrt(len(marks))
    times = [m.ti_s for m in marks]
    ti_s = median(times)
    scatter = 1.48 * median(abs(t - ti_s) for t in times)
    return Marks(
        ti_s=ti_s,
        driving=median(m.driving for m in marks),
        baseline=median(m.baseline for m in marks),
        profile=[median(m.profile[at] for m in marks) for at in range(len(PROFILE_AT))],
        slope=median(m.slope for m in marks),
        step=median(m.step for m in marks),
        step_sd=median(m.step_sd for m in marks) / root,
        foot_s=median(m.foot_s for m in marks),
        ti_sd=max(scatter, median(m.ti_sd for m in marks)) / root,
        noise=median(m.noise for m in marks) / root,
    )


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


# -- causes ---------------------------------------------------------------------------------------

Model = Callable[[float], Rise]


def baseline_rise(usual: Marks) -> Rise:
    """The rise that the baseline's breaths follow; with a leak where they flag beyond doubt."""
    step = max(0.0, usual.step)
    tight = _with_left(Rise(usual.slope, step, usual.foot_s, usual.baseline), usual)

    def leaking(lost: float) -> Rise:
        rise = replace(tight, lost_per_cmh2o=lost / (usual.baseline + usual.driving), left=())
        # The slope with which it reaches the peak when it did: two steps of the secant suffice.
        for _ in range(4):
            rise.slope *= max(0.3, usual.driving / max(rise.at(usual.ti_s), 0.1))
        return rise

    if usual.baseline + usual.driving <= 0.0:
        return tight
    lost, chi2 = _best(leaking, LEAK_BOUNDS, usual, usual)
    bare = replace(tight, left=())
    if _chi2(bare, usual, usual) - chi2 < LEAK_SEEN_CHI2:
        return tight
    return _with_left(leaking(lost), usual)


def _with_left(rise: Rise, usual: Marks) -> Rise:
    left = (
        pressure - rise.at(share * usual.ti_s)
        for share, pressure in zip(PROFILE_AT, usual.profile, strict=True)
    )
    return replace(rise, left=tuple(left))


def judge(usual: Marks, still: Rise, now: Marks, circuit_share: float | None) -> Change:
    """The most likely cause of what differs between the baseline and the last breaths."""
    if not _seen(still, now) or _chi2(still, usual, now) < SEEN_CHI2:
        return Change("none")
    shares: tuple[float, ...] = CIRCUIT_SHARES
    if circuit_share is not None:
        shares = tuple(error * circuit_share for error in CIRCUIT_ERRORS)
    weights: dict[Cause, float] = {"unclear": UNCLEAR_PRIOR * math.exp(-UNCLEAR_CHI2 / 2.0)}
    factors: dict[Cause, float] = {}
    for cause, factor, chi2 in _fits(still, usual, now, shares):
        unusual = math.log(factor) / USUAL_SIZE.get(cause, math.inf)
        weight = PRIOR[cause] * math.exp(-(min(chi2, 400.0) + unusual * unusual) / 2.0)
        if weight > weights.get(cause, 0.0):
            weights[cause], factors[cause] = weight, factor
    ranked = sorted(weights, key=lambda cause: -weights[cause])
    best = ranked[0]
    second = ranked[1] if len(ranked) > 1 else None
    sure = weights[best] / sum(weights.values())
    return Change(best, sure, factors.get(best), second)


def _seen(still: Rise, now: Marks) -> bool:
    """Whether the time, or the pressure on the way, differs enough to matter."""
    late = abs(math.log(max(still.at(now.ti_s), 1e-3) / now.driving)) >= SEEN_SHARE
    return late or any(
        abs(pressure - still.at(share * now.ti_s) - left) >= SEEN_SHARE * now.driving
        for share, pressure, left in zip(PROFILE_AT, now.profile, still.left, strict=True)
    )


def _chi2(rise: Rise, usual: Marks, now: Marks) -> float:
    """Squared distance, in standard errors, of the last breaths from a predicted rise."""
    time_sd = math.hypot(usual.ti_sd, now.ti_sd, TIME_SD_SHARE * now.ti_s)
    noise = math.hypot(usual.noise, now.noise, PRESSURE_SD_SHARE * now.driving)
    total = before = before_u = 0.0
    left = (*rise.left, 0.0) if rise.left else (0.0,) * (len(PROFILE_AT) + 1)
    pressures = (*now.profile, now.driving)
    for share, pressure, more in zip((*PROFILE_AT, 1.0), pressures, left, strict=True):
        u = share * now.ti_s
        predicted = rise.at(u)
        # An error of time counts by how steeply pressure rises there.
        steep = (predicted - before) / (u - before_u)
        off = pressure - predicted - more
        total += off * off / (noise * noise + (steep * time_sd) ** 2)
        before, before_u = predicted, u
    return total


def _fits(
    still: Rise, usual: Marks, now: Marks, shares: Sequence[float]
) -> Iterator[tuple[Cause, float, float]]:
    """Each cause with its best factor and what is left unexplained (chi squared)."""
    least = max(LEAST_STEP_SHARE * usual.driving, still.step)
    for share in shares:
        factor, chi2 = _best(_compliance(still, share), COMPLIANCE_BOUNDS, usual, now)
        if factor < CLOSED_SHARE:
            yield "occlusion", factor, chi2
        else:
            yield ("compliance-down" if factor < 1.0 else "compliance-up"), factor, chi2
        step, chi2 = _best(_narrower(still, share), (0.05 * least, usual.driving), usual, now)
        yield ("resistance-up" if step > still.step else "resistance-down"), step / least, chi2
    factor, chi2 = _best(lambda f: _other_flow(still, f), FLOW_BOUNDS, usual, now)
    yield "flow", factor, chi2
    peak = max(0.5, now.baseline + now.driving)
    lost, chi2 = _best(lambda g: replace(still, lost_per_cmh2o=g / peak), LEAK_BOUNDS, usual, now)
    yield ("leak" if lost > still.lost_per_cmh2o * peak else "less-leak"), lost, chi2


def _best(
    model: Model, bounds: tuple[float, float], usual: Marks, now: Marks
) -> tuple[float, float]:
    """The factor of least chi squared: along a ladder of ratios, then between its rungs."""
    low, high = bounds
    ratio = (high / low) ** (1.0 / RUNGS)
    ladder = [low * ratio**rung for rung in range(RUNGS + 1)]
    costs = [_chi2(model(factor), usual, now) for factor in ladder]
    at = min(range(len(ladder)), key=costs.__getitem__)
    low, high = ladder[max(0, at - 1)], ladder[min(RUNGS, at + 1)]
    for _ in range(HALVINGS):
        one, two = low + 0.382 * (high - low), low + 0.618 * (high - low)
        if _chi2(model(one), usual, now) < _chi2(model(two), usual, now):
            high = two
        else:
            low = one
    factor = (low + high) / 2.0
    return factor, _chi2(model(factor), usual, now)


def _compliance(still: Rise, share: float) -> Model:
    def model(factor: float) -> Rise:
        stretch = (1.0 + share) / (factor + share)
        return replace(
            still,
            slope=still.slope * stretch,
            step=still.step * (factor * stretch) ** 2,
            foot_s=still.foot_s * factor * stretch,
        )

    return model


def _narrower(still: Rise, share: float) -> Model:
    def model(step: float) -> Rise:
        return replace(still, step=step, foot_s=share * step / still.slope)

    return model


def _other_flow(still: Rise, factor: float) -> Rise:
    return replace(
        still,
        slope=still.slope * factor,
        step=still.step * factor,
        lost_per_cmh2o=still.lost_per_cmh2o / factor,
    )
