"""What a planned journey needs of the battery."""

from __future__ import annotations

from service import messages as wire
from service.known import JourneyInfo


def journey_info(message: wire.Journey, reference: str) -> JourneyInfo:
    """A journey as it was announced by the message `reference`."""
    return JourneyInfo(
        message.to,
        message.leaves_at,
        message.minutes,
        message.return_minutes,
        message.margin_minutes,
        reference,
    )


def journey_needs(journey: JourneyInfo | None, now_ms: int) -> tuple[float, float] | None:
    """Minutes until it leaves, and minutes of battery it still needs with its margin.

    None without a journey and once it is over.
    """
    if journey is None:
        return None
    leaves_in = (journey.leaves_at_ms - now_ms) / 60_000.0
    under_way = max(0.0, -leaves_in)
    remaining = journey.minutes + journey.return_minutes - under_way
    if remaining <= 0.0:
        return None
    return leaves_in, remaining + journey.margin_minutes


def spare_minutes(
    left: float | None, leaves_in: float, needed: float, *, on_battery: bool
) -> float | None:
    """What is over of `left` minutes of battery when a journey has what it needs (`needed`).

    What runs on battery until it leaves uses it up until then.
    """
    if left is None:
        return None
    before = max(0.0, leaves_in) if on_battery else 0.0
    return left - before - needed
