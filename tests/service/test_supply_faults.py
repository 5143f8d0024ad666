"""Faults of gauge and pack: what is believed, what is called doubtful, and never too late."""

from __future__ import annotations

from collections.abc import Callable

from supply_bench import CAPACITY_AH, Ventilator, close_to, known, run_down, warned_at, whole

# -- the gauge sticks -------------------------------------------------------------------------


def sticks(at: float, until: float = 0.0) -> Callable[[float], float]:
    """A gauge that stands at `at` percent until `until` are left."""
    return lambda charge: whole(at) if until < charge <= at else whole(charge)


def test_a_gauge_that_sticks_is_doubtful_and_current_counts_on() -> None:
    ventilator = Ventilator(charge=70.0, gauge=sticks(60.0))
    assert ventilator.run(30.0).doubt == ""
    assert ventilator.run(6.0).doubt == ""
    made = ventilator.run(60.0)
    assert made.doubt == "the gauge stands at 60 % while current is drawn"
    low, minutes, high = known(made)
    assert minutes == close_to(ventilator.truth)
    assert low <= ventilator.truth <= high
    said = run_down(ventilator)
    for warning in (20.0, 10.0, 5.0):
        assert warned_at(said, warning) >= warning


def test_never_late_while_the_gauge_sticks() -> None:
    for current in (True, False):
        said = run_down(Ventilator(gauge=sticks(60.0), sends_current=current))
        assert any(made.doubt for _, made in said)
        for warning in (20.0, 10.0, 5.0):
            assert warned_at(said, warning) >= warning


def test_a_gauge_that_comes_unstuck_at_the_true_charge_is_believed_again() -> None:
    ventilator = Ventilator(charge=70.0, gauge=sticks(60.0, until=45.0))
    assert ventilator.run(60.0).doubt
    made = ventilator.run(20.0)
    assert made.doubt == ""
    assert made.minutes == close_to(ventilator.truth)


def test_a_gauge_that_goes_on_from_where_it_stuck_is_not_believed() -> None:
    stuck = sticks(60.0, until=45.0)
    ventilator = Ventilator(charge=70.0, gauge=lambda c: stuck(c) if c > 45.0 else whole(c + 15.0))
    ventilator.run(75.0)
    made = ventilator.run(60.0)
    assert "more than was left" in made.doubt
    assert made.minutes == close_to(ventilator.truth)


def test_a_gauge_that_never_moves_is_doubtful_even_without_current() -> None:
    ventilator = Ventilator(gauge=lambda _: 80.0, sends_current=False)
    assert ventilator.run(25.0).doubt == ""
    made = ventilator.run(10.0)
    assert made.minutes is None
    assert ventilator.battery.gauge.stuck


def test_a_gauge_of_four_bars_is_not_stuck() -> None:
    ventilator = Ventilator(gauge=lambda charge: 25.0 * round(charge / 25.0))
    ventilator.run(130.0)
    made = ventilator.run(60.0)
    assert made.doubt == ""
    assert made.minutes == close_to(ventilator.truth)


# -- the gauge leaps --------------------------------------------------------------------------


def leaps(at: float, by: float) -> Callable[[float], float]:
    """A gauge that from `at` percent on reads `by` more than before."""
    return lambda charge: whole(charge + (by if charge <= at else 0.0))


def test_a_leap_down_is_believed_at_once_and_spoken_of_for_a_while() -> None:
    # The gauge read 12 points too much and finds out at 50 %.
    ventilator = Ventilator(charge=70.0, gauge=lambda c: whole(c + 12.0 if c > 50.0 else c))
    before = known(ventilator.run(57.0))[1]
    made = ventilator.run(6.0)
    assert made.doubt == "the gauge leapt by -12 %"
    assert made.minutes == close_to(ventilator.truth)
    assert before - known(made)[1] > 30.0
    assert ventilator.run(15.0).doubt == ""


def test_a_leap_up_on_battery_is_not_believed() -> None:
    ventilator = Ventilator(charge=70.0, gauge=leaps(50.0, 15.0))
    ventilator.run(57.0)
    made = ventilator.run(30.0)
    low, minutes, high = known(made)
    assert "more than was left" in made.doubt
    assert minutes == close_to(ventilator.truth)
    # But it may be right, and the interval says so.
    assert high >= 60.0 * (ventilator.charge + 15.0) / 100.0 * CAPACITY_AH / 0.44
    assert low <= ventilator.truth


def test_a_leap_down_without_current_is_not_taken_for_a_fall() -> None:
    ventilator = Ventilator(
        charge=80.0, gauge=lambda c: whole(c + 12.0 if c > 50.0 else c), sends_current=False
    )
    ventilator.run(87.0)
    made = ventilator.run(10.0)
    assert made.minutes == close_to(ventilator.truth)


def test_leaps_without_current_are_told_from_the_fall() -> None:
    ventilator = Ventilator(charge=70.0, gauge=leaps(50.0, 15.0), sends_current=False)
    ventilator.run(57.0)
    made = ventilator.run(30.0)
    assert made.doubt
    assert made.minutes == close_to(ventilator.truth)


def test_a_leap_that_is_taken_back_is_forgotten() -> None:
    ventilator = Ventilator(
        charge=70.0, gauge=lambda c: whole(c + (15.0 if 45.0 < c <= 50.0 else 0.0))
    )
    assert ventilator.run(65.0).doubt
    ventilator.run(10.0)
    made = ventilator.run(12.0)
    assert made.doubt == ""
    assert made.minutes == close_to(ventilator.truth)


def test_another_battery_is_known_by_its_voltage() -> None:
    ventilator = Ventilator(charge=30.0, sends_voltage=True)
    ventilator.run(30.0)
    ventilator.charge = 95.0
    made = ventilator.report()
    assert made.doubt == ""
    assert made.minutes == close_to(ventilator.truth)
    # What was learnt of the one before says nothing of it.
    assert ventilator.battery.learnt.points == 0.0


def test_a_load_that_eases_lifts_the_voltage_and_is_no_other_battery() -> None:
    ventilator = Ventilator(charge=50.0, gauge=leaps(45.0, 10.0), sends_voltage=True)
    ventilator.run(12.0)
    ventilator.charge, ventilator.current_a = 44.9, 0.2
    ventilator.lift_v = 0.4
    made = ventilator.report()
    assert "more than was left" in made.doubt


def test_a_stuck_gauge_is_not_believed_when_the_voltage_rises() -> None:
    ventilator = Ventilator(charge=70.0, gauge=sticks(60.0), sends_voltage=True)
    assert ventilator.run(90.0).doubt
    ventilator.lift_v = 0.4
    made = ventilator.report()
    assert made.doubt
    assert made.minutes == close_to(ventilator.truth)


def test_a_battery_charged_while_nothing_was_heard_is_believed() -> None:
    ventilator = Ventilator(charge=30.0)
    ventilator.run(30.0)
    ventilator.now_s += 3600.0
    ventilator.charge = 95.0
    made = ventilator.report()
    assert made.doubt == ""
    assert made.minutes == close_to(ventilator.truth)


def test_another_device_is_another_battery() -> None:
    ventilator = Ventilator(charge=30.0, gauge=sticks(30.0))
    assert ventilator.run(60.0).doubt
    ventilator.device, ventilator.charge, ventilator.gauge = "other", 80.0, whole
    made = ventilator.report()
    assert made.doubt == ""
    assert made.minutes == close_to(ventilator.truth)
