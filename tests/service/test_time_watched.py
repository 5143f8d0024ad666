"""What was not seen, or not yet to be done, is not overdue; a signal that stands still is timed."""

from __future__ import annotations

import pytest
from service_bench import START_MS, Bed, quantity
from wave_shapes import Ventilation

from service.facts import FactSet, facts_of

RATE_HZ = 50
SETTINGS = {"te_set": quantity(1.4, "s"), "pip_target": quantity(12.0, "cm[H2O]")}


def at(bed: Bed, after_s: float) -> FactSet:
    bed.bedside.due(START_MS + round(1000 * after_s))
    return facts_of(bed.bedside, START_MS + round(1000 * after_s))


def breathe(bed: Bed, from_s: float, seconds: float) -> float:
    """Blocks of half a second; the end of the last one."""
    samples = Ventilation(0.6, 1.4, pip=12.0).samples(int(seconds), rate_hz=RATE_HZ)
    return send(bed, from_s, [round(p, 2) for _, p in samples][: round(RATE_HZ * seconds)])


def send(
    bed: Bed,
    from_s: float,
    samples: list[float | None] | list[float],
    block_s: float = 0.5,
    behind_s: float = 0.0,
    **what: str,
) -> float:
    """Blocks as they end, `behind_s` earlier by the device's clock; where the last one ends."""
    step = round(block_s * RATE_HZ)
    for begin in range(0, len(samples), step):
        block = list(samples[begin : begin + step])
        begin_s = from_s + begin / RATE_HZ
        end_s = begin_s + len(block) / RATE_HZ
        bed.send("waveform", end_s, at_s=begin_s - behind_s, samples=block, **what)
    return from_s + len(samples) / RATE_HZ


def noise(seconds: float) -> list[float]:
    """At rest, moving in the last digit."""
    return [0.02 * (n % 3) for n in range(round(RATE_HZ * seconds))]


def ventilated() -> tuple[Bed, float]:
    bed = Bed()
    bed.send("settings", 0.0, **SETTINGS)
    return bed, breathe(bed, 0.0, 20.0)


def test_without_inflations_the_next_one_is_overdue() -> None:
    bed, now_s = ventilated()
    now_s = send(bed, now_s, noise(8.0))
    overdue = at(bed, now_s).values["breath.overdue"]
    assert isinstance(overdue, float)
    assert overdue > 4.0


def test_a_hole_in_the_signal_is_not_counted() -> None:
    bed, now_s = ventilated()
    now_s = send(bed, now_s + 12.0, noise(1.5))
    overdue = at(bed, now_s).values["breath.overdue"]
    assert overdue == pytest.approx(1.5 / 2.0, abs=0.3)


def test_nor_is_a_sensor_that_was_off() -> None:
    bed, now_s = ventilated()
    now_s = send(bed, now_s, [None] * (4 * RATE_HZ))
    overdue = at(bed, now_s).values["breath.overdue"]
    assert isinstance(overdue, float)
    assert overdue < 0.5


def test_a_ventilator_that_was_just_started_is_not_late() -> None:
    bed, now_s = ventilated()
    bed.send("settings", now_s, mode="spontaneous", **SETTINGS)
    now_s = send(bed, now_s, noise(8.0))
    bed.send("settings", now_s, mode="controlled", **SETTINGS)
    now_s = send(bed, now_s, noise(1.0))
    overdue = at(bed, now_s).values["breath.overdue"]
    assert overdue == pytest.approx(1.0 / 2.0, abs=0.1)


def test_a_frozen_pressure_is_timed_from_its_last_change() -> None:
    bed, now_s = ventilated()
    assert at(bed, now_s).values["paw.frozen_for"] < 1.5
    now_s = send(bed, now_s, [0.37] * (6 * RATE_HZ))
    assert at(bed, now_s).values["paw.frozen_for"] == pytest.approx(6.0, abs=0.1)


def test_the_highest_of_the_last_five_seconds_forgets_the_breath_before() -> None:
    bed, now_s = ventilated()
    now_s = send(bed, now_s, noise(7.0))
    values = at(bed, now_s).values
    assert values["paw.max_10s_over_target"] == pytest.approx(0.0, abs=0.5)
    assert values["paw.max_5s_over_target"] == pytest.approx(-12.0, abs=0.5)


def test_time_without_a_breath_is_time_watched() -> None:
    # After half a minute of silence nobody can say that nothing breathed.
    bed, now_s = ventilated()
    now_s = send(bed, now_s + 30.0, noise(3.0))
    since = at(bed, now_s).values["breathing.since"]
    assert since == pytest.approx(3.0, abs=2.0)


def test_one_lost_block_does_not_begin_the_count_again() -> None:
    bed, now_s = ventilated()
    now_s = send(bed, now_s, noise(10.0))
    now_s = send(bed, now_s + 1.0, noise(10.0))
    since = at(bed, now_s).values["breathing.since"]
    assert since == pytest.approx(20.0, abs=2.5)


def test_late_is_counted_from_when_the_inflation_was_due() -> None:
    bed, now_s = ventilated()
    now_s = send(bed, now_s, noise(8.0))
    facts = at(bed, now_s).values
    since, late = facts["breath.since"], facts["breath.late_for"]
    assert isinstance(since, float)
    assert isinstance(late, float)
    # Every 2 s: the next was due 2 s after the last began.
    assert since - late == pytest.approx(2.0, abs=0.05)
    assert late > 6.5


def test_what_is_still_on_its_way_was_not_watched() -> None:
    bed, now_s = ventilated()
    now_s = send(bed, now_s, noise(4.0))
    before = at(bed, now_s).values["breath.late_for"]
    assert at(bed, now_s + 1.5).values["breath.late_for"] == before


@pytest.mark.parametrize("block_s", [0.25, 1.0, 2.0])
def test_between_two_blocks_nothing_is_missing(block_s: float) -> None:
    # Blocks of up to 2 s are allowed: the samples of the next one are not late.
    bed = Bed()
    send(bed, 0.0, noise(20.0), block_s)
    for late_s in (0.0, 0.5 * block_s, block_s):
        assert at(bed, 20.0 + late_s).values["paw.coverage_10s"] == pytest.approx(1.0, abs=0.06)


def late_with_holes(watched_s: float) -> float:
    """How late the next inflation is when of each `watched_s` and a second, the second is lost."""
    bed, now_s = ventilated()
    for _ in range(5):
        now_s = send(bed, now_s + 1.0, noise(watched_s))
    late = at(bed, now_s).values["breath.late_for"]
    assert isinstance(late, float)
    return late


def test_late_adds_up_where_blocks_are_lost_again_and_again() -> None:
    # One block in four is lost: an open circuit still shows, 1 s later at each hole at most.
    assert late_with_holes(3.0) == pytest.approx(5 * (3.0 - 2.0), abs=1.1)


def test_what_a_hole_may_have_hidden_is_not_late() -> None:
    # The usual inflation may have come in each hole, so after each the wait begins anew.
    assert late_with_holes(1.5) < 1.0


CO2 = {"channel": "co2", "unit": "mm[Hg]"}


@pytest.mark.parametrize("lost", [None, 0.4])
def test_a_co2_sensor_that_is_off_does_not_hide_an_apnoea(lost: float | None) -> None:
    # Off from the start, then while nothing breathes; or there, and flat.
    bed, now_s = ventilated()
    send(bed, now_s, [lost] * (30 * RATE_HZ), **CO2)
    now_s = send(bed, now_s, noise(30.0))
    since = at(bed, now_s).values["breathing.since"]
    assert since == pytest.approx(30.0, abs=3.0)


def test_nor_does_a_pressure_sensor_that_is_off_count_as_watched() -> None:
    bed, now_s = ventilated()
    send(bed, now_s, [0.4] * (12 * RATE_HZ), **CO2)
    now_s = send(bed, now_s, [None] * (12 * RATE_HZ))
    since = at(bed, now_s).values["breathing.since"]
    # CO2 was there for 12 s; what was before was not watched in it.
    assert since == pytest.approx(12.0, abs=0.5)


def test_after_a_clock_set_back_time_is_counted_from_then() -> None:
    bed = Bed()
    now_s = breathe(bed, 0.0, 120.0)
    # The device's clock goes back half a minute; received time goes on.
    now_s = send(bed, now_s, noise(4.0), behind_s=30.0)
    facts = at(bed, now_s).values
    assert facts["breath.since"] == pytest.approx(4.0, abs=0.6)
    assert facts["breathing.since"] == pytest.approx(4.0, abs=0.6)


def test_a_new_mode_is_waited_in_from_when_it_was_set() -> None:
    bed, now_s = ventilated()
    bed.send("settings", now_s, mode="spontaneous", **SETTINGS)
    now_s = send(bed, now_s, noise(8.0))
    bed.send("settings", now_s, mode="controlled", **SETTINGS)
    now_s = send(bed, now_s, noise(2.0))
    # The next block is on its way: it was not seen yet.
    late = at(bed, now_s + 1.5).values["breath.overdue"]
    assert late == pytest.approx(2.0 / 2.0, abs=0.1)
