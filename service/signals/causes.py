"""The most likely cause of what differs between a baseline and the last breaths.

Each cause moves the rise of pressure (see `inflation_law`) by one number, the same for all of it:

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
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from service.signals.inflation_law import LEAK_BOUNDS, Marks, Rise, best, chi2_of, with_other_flow
from service.signals.ramp import PROFILE_AT

Cause = Literal[
    "none", "compliance-down", "compliance-up", "resistance-up", "resistance-down", "leak",
    "less-leak", "flow", "occlusion", "unclear",
]  # fmt: skip

#: A change has to be seen: times or pressures by this share, and this far beyond their errors.
#: Early in the inflation, where only resistance and flow tell, less is enough; so it is for what
#: has been seen already.
SEEN_SHARE: Final = 0.08
EARLY_SHARE: Final = 0.055
EARLY_UNTIL: Final = 0.3
SEEN_BEFORE: Final = 0.75
SEEN_CHI2: Final = 16.0
#: How often each cause is met before anything is seen (ours, no source). A flow that nobody
#: confirmed is not rare: a flowmeter is turned by hand.
PRIOR: Final[dict[Cause, float]] = {
    "compliance-down": 0.30, "compliance-up": 0.08, "resistance-up": 0.22, "resistance-down": 0.05,
    "leak": 0.22, "less-leak": 0.03, "flow": 0.12, "occlusion": 0.04,
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
#: Circuit over lung compliance where it is not known, and how far off it is where it is.
CIRCUIT_SHARES: Final = (0.03, 0.1, 0.25, 0.5)
CIRCUIT_ERRORS: Final = (0.75, 1.0, 1.33)
COMPLIANCE_BOUNDS: Final = (0.004, 4.0)
FLOW_BOUNDS: Final = (0.25, 4.0)
LEAST_STEP_SHARE: Final = 0.02
#: A lung of less than this share of its compliance is a closed tube for the ventilator.
CLOSED_SHARE: Final = 0.1


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


def judge(
    usual: Marks, still: Rise, now: Marks, circuit_share: float | None, *, seen_before: bool = False
) -> Change:
    """The most likely cause of what differs between the baseline and the last breaths."""
    still = replace(still, baseline=now.baseline)
    share = SEEN_BEFORE if seen_before else 1.0
    if not is_seen(still, now, share) or chi2_of(still, usual, now) < SEEN_CHI2:
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
    likely = ranked[0]
    second = ranked[1] if len(ranked) > 1 else None
    sure = weights[likely] / sum(weights.values())
    factor_told = None if likely == "occlusion" else factors.get(likely)
    return Change(likely, sure, factor_told, second)


def is_seen(still: Rise, now: Marks, share: float = 1.0) -> bool:
    """Whether the time, or the pressure on the way, differs enough to matter."""
    late = abs(math.log(max(still.at(now.ti_s), 1e-3) / now.driving)) >= share * SEEN_SHARE
    return late or any(
        abs(pressure - still.at(at * now.ti_s) - left)
        >= share * (EARLY_SHARE if at < EARLY_UNTIL else SEEN_SHARE) * now.driving
        for at, pressure, left in zip(PROFILE_AT, now.profile, still.left, strict=True)
    )


def _fits(
    still: Rise, usual: Marks, now: Marks, shares: Sequence[float]
) -> Iterator[tuple[Cause, float, float]]:
    """Each cause with its best factor and what is left unexplained (chi squared)."""
    least = max(LEAST_STEP_SHARE * usual.driving, still.step)
    for share in shares:
        factor, chi2 = best(_compliance(still, share), COMPLIANCE_BOUNDS, usual, now)
        if factor < CLOSED_SHARE:
            yield "occlusion", factor, chi2
        else:
            yield ("compliance-down" if factor < 1.0 else "compliance-up"), factor, chi2
        step, chi2 = best(_narrower(still, share), (0.05 * least, usual.driving), usual, now)
        yield ("resistance-up" if step > still.step else "resistance-down"), step / least, chi2
    factor, chi2 = best(lambda f: with_other_flow(still, f), FLOW_BOUNDS, usual, now)
    yield "flow", factor, chi2
    peak = max(0.5, now.baseline + now.driving)
    lost, chi2 = best(lambda g: replace(still, lost_per_cmh2o=g / peak), LEAK_BOUNDS, usual, now)
    yield ("leak" if lost > still.lost_per_cmh2o * peak else "less-leak"), lost, chi2


def _compliance(still: Rise, share: float) -> Callable[[float], Rise]:
    def model(factor: float) -> Rise:
        stretch = (1.0 + share) / (factor + share)
        return replace(
            still,
            slope=still.slope * stretch,
            step=still.step * (factor * stretch) ** 2,
            foot_s=still.foot_s * factor * stretch,
        )

    return model


def _narrower(still: Rise, share: float) -> Callable[[float], Rise]:
    def model(step: float) -> Rise:
        return replace(still, step=step, foot_s=share * step / still.slope)

    return model
