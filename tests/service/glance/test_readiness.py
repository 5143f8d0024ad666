"""How long the battery lasts and whether that is enough for a journey, as a page shows it."""

from __future__ import annotations

import pytest

from service.battery.estimate import Estimate
from service.glance.supply import readiness
from service.known import JourneyInfo

NOW_MS = 1_000_000_000


def _journey(leaves_in: float) -> JourneyInfo:
    """35 min there, 35 back, a margin of 20."""
    return JourneyInfo("imaging", NOW_MS + round(60_000 * leaves_in), 35.0, 35.0, 20.0, "")


def _estimate(*, runs: bool = True) -> Estimate:
    return Estimate(NOW_MS, 120.0, 100.0, 140.0, runs=runs)


def test_nothing_is_said_where_nothing_is_known() -> None:
    assert readiness(None, None, None, NOW_MS) is None


def test_on_battery_the_wait_costs_too() -> None:
    ready = readiness("battery", _estimate(), _journey(15.0), NOW_MS)
    assert ready is not None
    assert ready.needed == 90.0
    assert ready.leaves_in == pytest.approx(15.0)
    assert ready.spare == pytest.approx(120.0 - 15.0 - 90.0)
    assert ready.spare_low == pytest.approx(100.0 - 15.0 - 90.0)


def test_on_mains_the_wait_costs_nothing() -> None:
    ready = readiness("mains", _estimate(runs=False), _journey(15.0), NOW_MS)
    assert ready is not None
    assert ready.spare == pytest.approx(30.0)


def test_minutes_run_down_until_the_next_report() -> None:
    ready = readiness("battery", _estimate(), None, NOW_MS + 600_000)
    assert ready is not None
    assert (ready.minutes, ready.low, ready.high) == (110.0, 90.0, 130.0)
    assert (ready.to, ready.spare) == (None, None)


def test_a_journey_that_is_over_is_not_shown() -> None:
    ready = readiness("battery", _estimate(), _journey(-70.0), NOW_MS)
    assert ready is not None
    assert ready.to is None


def test_a_journey_with_an_unknown_battery_says_so() -> None:
    ready = readiness(None, None, _journey(15.0), NOW_MS)
    assert ready is not None
    assert (ready.to, ready.spare, ready.why_unknown) == (
        "imaging",
        None,
        "nothing was said of the battery",
    )
