"""Battery and journey of a place: how long it lasts, and whether that is enough."""

from __future__ import annotations

from dataclasses import dataclass

from service.battery.estimate import Estimate
from service.journeys import journey_needs, spare_minutes
from service.known import JourneyInfo


@dataclass(frozen=True, slots=True)
class Readiness:
    """Minutes until the battery is empty, and what a journey needs.

    `low` and `high` are the ends of the 90 % interval. `why_unknown` says why there are none,
    `doubt` why the gauge is doubtful. On mains (`supply`) the minutes are those after plugging
    out. `spare` minutes are left when the journey is over, its margin kept; counted with the low
    end of the interval in `spare_low`.
    """

    supply: str | None
    minutes: float | None
    low: float | None
    high: float | None
    why_unknown: str
    doubt: str
    to: str | None
    leaves_in: float | None
    needed: float | None
    spare: float | None
    spare_low: float | None


def readiness(
    supply: str | None, estimate: Estimate | None, journey: JourneyInfo | None, now_ms: int
) -> Readiness | None:
    """What is known now; None where nothing was said of supply or journey."""
    needs = journey_needs(journey, now_ms)
    if supply is None and needs is None:
        return None
    made = (estimate or Estimate(now_ms, why_unknown="nothing was said of the battery")).after(
        now_ms
    )
    leaves_in, needed = (None, None) if needs is None else needs
    spare, spare_low = (
        None if needs is None else spare_minutes(left, *needs, on_battery=supply == "battery")
        for left in (made.minutes, made.low)
    )
    return Readiness(
        supply=supply,
        minutes=made.minutes,
        low=made.low,
        high=made.high,
        why_unknown=made.why_unknown,
        doubt=made.doubt,
        to=journey.to if journey is not None and needs is not None else None,
        leaves_in=leaves_in,
        needed=needed,
        spare=spare,
        spare_low=spare_low,
    )
