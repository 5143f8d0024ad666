"""Minutes of battery from what little a device sends.

An estimate may be off by 15 % of what is left or 5 min.
"""

from __future__ import annotations

import pytest
from supply_bench import Ventilator, close_to, known

# -- what is not sent -------------------------------------------------------------------------


def test_without_current_the_fall_of_the_gauge_says_it() -> None:
    ventilator = Ventilator(sends_current=False)
    assert ventilator.report().why_unknown == "draw not known yet"
    made = ventilator.run(40.0)
    low, minutes, high = known(made)
    assert minutes == close_to(ventilator.truth)
    assert low <= ventilator.truth <= high


def test_without_capacity_it_is_learnt_from_what_was_drawn() -> None:
    ventilator = Ventilator(states_ah=None)
    ventilator.run(40.0)
    ventilator.current_a *= 2.0
    made = ventilator.run(6.0)
    # By current, not by the fall of the gauge, which would follow more slowly.
    assert made.minutes == close_to(ventilator.truth)


def test_a_current_that_ceases_to_be_sent_leaves_the_fall_of_the_gauge() -> None:
    ventilator = Ventilator()
    ventilator.run(40.0)
    ventilator.sends_current = False
    ventilator.current_a *= 2.0
    made = ventilator.run(40.0)
    assert made.minutes == close_to(ventilator.truth)


def test_a_charge_that_ceases_to_be_sent_is_counted_on_by_current() -> None:
    ventilator = Ventilator()
    ventilator.run(60.0)
    ventilator.gauge = lambda _: None
    made = ventilator.run(30.0)
    low, minutes, high = known(made)
    assert minutes == close_to(ventilator.truth)
    assert low <= ventilator.truth <= high
    assert made.spread["counted without gauge"] > 0.0


def test_without_charge_and_current_it_is_soon_unknown() -> None:
    ventilator = Ventilator(sends_current=False)
    ventilator.run(40.0)
    ventilator.gauge = lambda _: None
    assert ventilator.run(1.0).minutes is not None
    made = ventilator.run(3.0)
    assert made.minutes is None
    assert made.why_unknown == "charge not known"


@pytest.mark.parametrize("current_a", [0.0, 0.001])
def test_a_current_of_next_to_nothing_is_no_draw(current_a: float) -> None:
    made = Ventilator(current_a=current_a).report()
    assert made.minutes is None
    assert made.why_unknown == "draw not known yet"


def test_a_fall_is_read_from_five_minutes_and_two_percent() -> None:
    # Three percent a minute.
    ventilator = Ventilator(sends_current=False, current_a=4.0)
    assert ventilator.run(4.0).why_unknown == "draw not known yet"
    assert ventilator.run(4.0).minutes == close_to(ventilator.truth)


def test_without_current_a_load_that_eases_is_followed() -> None:
    ventilator = Ventilator(sends_current=False, current_a=0.88)
    ventilator.run(40.0)
    ventilator.current_a = 0.1
    made = ventilator.run(150.0)
    assert made.doubt == ""
    assert made.minutes == close_to(ventilator.truth)


# -- charge counted from a charging that was seen ---------------------------------------------


def _charged(*currents_a: float) -> Ventilator:
    """On mains, without a gauge, the charger giving these currents, then plugged out."""
    ventilator = Ventilator(supply="mains", gauge=lambda _: None)
    for current_a in currents_a:
        ventilator.current_a = current_a
        ventilator.report()
        ventilator.pass_time(60.0)
    ventilator.supply, ventilator.current_a = "battery", 0.44
    return ventilator


def test_a_charging_that_tapered_off_means_full() -> None:
    ventilator = _charged(1.1, 1.1, 0.6, 0.1)
    made = ventilator.run(60.0)
    assert made.minutes == close_to(ventilator.truth)
    assert made.doubt == ""


@pytest.mark.parametrize("currents_a", [(1.1, 1.1, 1.1), (0.0, 0.0), ()])
def test_a_charging_that_did_not_end_says_nothing(currents_a: tuple[float, ...]) -> None:
    assert _charged(*currents_a).report().why_unknown == "charge not known"


def test_a_weaker_charger_is_not_taken_for_the_end_of_charging() -> None:
    ventilator = _charged(1.1, 0.1)
    ventilator.run(60.0)
    ventilator.supply, ventilator.current_a = "mains", 0.2
    ventilator.run(1.0)
    ventilator.supply, ventilator.current_a = "battery", 0.44
    assert ventilator.report().why_unknown == "charge not known"


def test_the_sign_of_the_current_does_not_matter() -> None:
    assert Ventilator().run(10.0) == Ventilator(sign=-1.0).run(10.0)


def test_a_long_silence_on_battery_is_counted() -> None:
    ventilator = Ventilator()
    ventilator.run(30.0)
    ventilator.pass_time(45.0 * 60.0)
    made = ventilator.report()
    assert made.minutes == close_to(ventilator.truth)
    assert made.doubt == ""
