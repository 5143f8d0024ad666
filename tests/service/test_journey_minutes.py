"""What a journey needs of the battery, and whether the battery has it.

Minutes left, energy form: capacity x charge / current; 26 Wh x 0.80 / 6.5 W = 192.0 min (computed).
Slope form: 82 to 76 % in 15 min is 0.4 % a minute, so 76 / 0.4 = 190.0 min to empty (computed).
An estimate may be off by 15 % of what is left or 5 min.
"""

from __future__ import annotations

import pytest
from service_bench import START_MS, Bed, quantity

from service.battery.report import Report
from service.battery.state import Battery
from service.facts import FactSet, facts_of
from service.journeys import journey_needs
from service.known import JourneyInfo
from service.supply import follow


def report(
    charge: float | None,
    minute: float = 0.0,
    *,
    current: float | None = None,
    capacity: float | None = None,
    supply: str = "battery",
) -> Report:
    """What the device says of its supply, `minute` minutes after the start."""
    at_ms = START_MS + round(60_000 * minute)
    return Report(at_ms, supply == "battery", charge, current, None, capacity, "d").usable()


def minutes_left(history: list[Report]) -> tuple[float | None, str]:
    """What there is after the newest report, and why not where that is unknown."""
    battery = Battery()
    for item in history:
        battery = follow(battery, item)
    made = battery.estimate
    assert made is not None
    return made.minutes, made.why_unknown


def close_to(minutes: float) -> object:
    """Within what an estimate may be off."""
    return pytest.approx(minutes, abs=max(5.0, 0.15 * minutes))


@pytest.mark.parametrize(
    ("charge", "capacity_ah", "current_a", "minutes"),
    [
        (80.0, 26.0 / 11.1, 6.5 / 11.1, 192.0),
        (100.0, 2.2, 1.0, 132.0),
        (50.0, 2.2, 0.5, 132.0),
        (31.0, 2.2, 6.5 / 11.1, 69.88),
        (0.0, 2.2, 1.0, 0.0),
        (80.0, 2.2, -0.5, 211.2),
    ],
)
def test_minutes_from_charge_capacity_and_current(
    charge: float, capacity_ah: float, current_a: float, minutes: float
) -> None:
    history = [
        report(charge, second / 60.0, current=current_a, capacity=capacity_ah)
        for second in range(0, 61, 10)
    ]
    assert minutes_left(history)[0] == close_to(minutes)


def test_minutes_from_the_slope_of_the_charge() -> None:
    assert minutes_left([report(82.0 - 0.4 * m, m) for m in range(16)])[0] == close_to(190.0)


def test_what_is_not_known_says_why() -> None:
    for history in ([report(None)], [report(80.0)], [report(80.0, current=0.0, capacity=2.2)]):
        found, why = minutes_left(history)
        assert found is None
        assert why


def journey(leaves_min: float, minutes: float = 35.0) -> JourneyInfo:
    """There and back in `minutes` each, with 20 minutes of margin."""
    leaves_ms = START_MS + round(60_000 * leaves_min)
    return JourneyInfo("imaging", leaves_ms, minutes, minutes, 20.0, "d:e:2")


def test_what_a_journey_needs() -> None:
    assert journey_needs(None, START_MS) is None
    assert journey_needs(journey(15.0), START_MS) == (15.0, 90.0)


def test_a_journey_under_way_needs_less_and_then_nothing() -> None:
    assert journey_needs(journey(-10.0), START_MS) == (-10.0, 80.0)
    assert journey_needs(journey(-69.0), START_MS) == (-69.0, 21.0)
    assert journey_needs(journey(-71.0), START_MS) is None


def _facts(charge: float, leaves_min: float) -> FactSet:
    """On battery, 2.2 Ah at 1 A, with a journey planned."""
    bed = Bed()
    for second in (0, 10, 20, 30):
        bed.send(
            "power",
            float(second),
            charge=quantity(charge, "%"),
            capacity=quantity(2.2, "A.h"),
            current=quantity(1.0, "A"),
        )
    bed.bedside.journey = journey(leaves_min + 0.5)
    return facts_of(bed.bedside, START_MS + 30_000)


@pytest.mark.parametrize(("charge", "leaves_min"), [(100.0, 15.0), (50.0, 0.0), (90.0, 60.0)])
def test_spare_is_what_is_left_less_waiting_and_journey(charge: float, leaves_min: float) -> None:
    facts = _facts(charge, leaves_min)
    left = facts.values["battery.minutes_left"]
    assert isinstance(left, float)
    assert left == close_to(1.32 * charge)
    assert facts.values["journey.leaves_in"] == pytest.approx(leaves_min)
    assert facts.values["journey.minutes_needed"] == 90.0
    assert facts.values["journey.spare_minutes"] == pytest.approx(left - leaves_min - 90.0)


def test_a_battery_that_will_not_do_is_short() -> None:
    # 66 min or so against 90.
    spare = _facts(50.0, 0.0).values["journey.spare_minutes"]
    assert isinstance(spare, float)
    assert -34.0 < spare < -14.0


def test_without_a_battery_reading_what_is_spare_is_unknown_with_the_reason() -> None:
    bed = Bed()
    bed.send("journey", 0.0)
    facts = facts_of(bed.bedside, START_MS)
    assert facts.unknown["journey.spare_minutes"] == facts.unknown["battery.minutes_left"]
    assert facts.values["journey.minutes_needed"] == 50.0
