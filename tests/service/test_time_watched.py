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


def send(bed: Bed, from_s: float, samples: list[float | None] | list[float]) -> float:
    for begin in range(0, len(samples), RATE_HZ // 2):
        block = samples[begin : begin + RATE_HZ // 2]
        begin_s = from_s + begin / RATE_HZ
        end_s = begin_s + len(block) / RATE_HZ
        bed.send("waveform", end_s, at_s=begin_s, samples=list(block))
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
