"""The kind of an inflation: a squeezed bag, a cough or a knock, something closed, a sensor's limit.

Half sines for bag and cough, ramps for the ventilator: common practice, no source.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable

import pytest
from pressure_course import BEGIN_S, Bump, Course, Push, even, leaning_squeeze, match, read, squeeze

TI_S, TE_S = 0.5, 1.5


@pytest.mark.parametrize("form", [squeeze, leaning_squeeze])
@pytest.mark.parametrize("rate_hz", [25.0, 100.0, 500.0])
@pytest.mark.parametrize("length_s", [0.4, 0.7, 1.0, 1.5, 2.0])
def test_a_squeezed_bag_is_a_hand(
    length_s: float, rate_hz: float, form: Callable[[float], float]
) -> None:
    chance, course = random.Random(1), Course(rate_hz=rate_hz, noise_cmh2o=0.03)
    course.pushes = even(8)
    t = 21.0
    for _ in range(8):
        squeezed_s = length_s * chance.uniform(0.8, 1.2)
        course.pushes.append(Push(t, squeezed_s, chance.uniform(8.0, 20.0), form=form))
        t += squeezed_s + chance.uniform(0.8, 4.0)
    course.pushes += [Push(t + 2.0 * n, TI_S, 10.0) for n in range(1, 5)]
    found = read(course.samples())
    kinds = [one.kind for one in found.inflations]
    assert kinds == ["ventilator"] * 8 + ["hand"] * 8 + ["ventilator"] * 4
    for one, push in zip(found.inflations, course.pushes, strict=True):
        start_s = one.start_s - BEGIN_S
        assert push.start_s - 0.05 <= start_s <= push.start_s + 0.15 * push.ti_s
        assert start_s + one.ti_s <= push.end_s + 2.0 / rate_hz


@pytest.mark.parametrize("rate_hz", [25.0, 50.0, 100.0, 250.0, 500.0])
@pytest.mark.parametrize("height", [10.0, 25.0, 60.0])
@pytest.mark.parametrize("length_s", [0.02, 0.04, 0.08, 0.12, 0.15])
def test_coughs_and_knocks_are_artefacts_and_leave_the_breaths_alone(
    length_s: float, height: float, rate_hz: float
) -> None:
    course = Course(pushes=even(14), rate_hz=rate_hz, noise_cmh2o=0.03)
    coughs = [14.0 + 1.0, 18.0 + 1.4, 22.0 + 1.7, 26.0 + 1.1, 26.0 + 1.15 + length_s]
    course.bumps = [Bump(at, length_s, height) for at in coughs]
    found = read(course.samples())
    assert [one.kind for one in found.inflations] == ["ventilator"] * 14
    limit_s = 3.0 / rate_hz
    for one, breath in zip(found.inflations, found.breaths, strict=True):
        assert one.ti_s == pytest.approx(TI_S, abs=limit_s)
        if breath.te_s is not None:
            assert breath.te_s == pytest.approx(TE_S, abs=limit_s)
    if length_s >= 0.04 and length_s * rate_hz >= 4:
        assert len(found.artefacts) in (4, 5)
    assert len(found.artefacts) <= 5
    assert all(one.kind == "artefact" for one in found.artefacts)


@pytest.mark.parametrize("rate_hz", [100.0, 500.0])
@pytest.mark.parametrize("circuit_s", [0.05, 0.08, 0.12])
def test_a_total_occlusion_is_no_cough(circuit_s: float, rate_hz: float) -> None:
    # The valve still closes for each expiratory time; only the circuit is filled.
    course = Course(pushes=even(8), rate_hz=rate_hz, noise_cmh2o=0.03)
    t = course.pushes[-1].end_s
    for _ in range(8):
        course.pushes.append(Push(t + TE_S, circuit_s, 10.0))
        t += TE_S + circuit_s
    found = read(course.samples())
    assert not found.artefacts
    assert [one.kind for one in found.inflations] == ["ventilator"] * 16
    assert all(one is not None for one in match(found.inflations, course.pushes))


@pytest.mark.parametrize("te_s", [0.7, 3.0])
@pytest.mark.parametrize("height", [5.0, 10.0, 20.0])
def test_an_occlusion_under_new_settings_is_seen_after_three(te_s: float, height: float) -> None:
    # What came again and again, and nothing else, must be the inflations.
    course = Course(pushes=even(8), noise_cmh2o=0.03)
    t = course.pushes[-1].end_s + TE_S
    for _ in range(14):
        course.pushes.append(Push(t, 0.08, height))
        t += te_s + 0.08
    found = read(course.samples())
    last = match(found.inflations, course.pushes)[-6:]
    assert [one.kind if one else None for one in last] == ["ventilator"] * 6


def test_an_occlusion_is_seen_after_samples_were_lost() -> None:
    course = Course(pushes=even(8), noise_cmh2o=0.03)
    t = course.pushes[-1].end_s + TE_S
    course.pushes += [Push(t + 1.58 * n, 0.08, 10.0) for n in range(16)]
    lost_s = BEGIN_S + t - 0.9
    samples = [s for s in course.samples() if not lost_s <= s[0] < lost_s + 0.5]
    last = match(read(samples).inflations, course.pushes)[-8:]
    assert [one.kind if one else None for one in last] == ["ventilator"] * 8


@pytest.mark.parametrize("rate_hz", [50.0, 100.0, 500.0])
@pytest.mark.parametrize("limit", [20.0, 30.0, 40.0])
def test_a_sensor_at_its_limit_is_said_and_peak_is_the_limit(limit: float, rate_hz: float) -> None:
    course = Course(pushes=even(8, height=limit + 10.0), limit_cmh2o=limit, rate_hz=rate_hz)
    found = read(course.samples())
    assert len(found.inflations) == 8
    for one in found.inflations:
        assert one.kind == "ventilator"
        assert "limit" in one.doubt
        assert one.quality <= 0.3
        assert one.pip_cmh2o == pytest.approx(limit, abs=0.01)
        # It falls from over the limit down to it with the valve's time constant.
        hidden_s = 0.03 * math.log((limit + 10.0) / limit)
        assert one.ti_s == pytest.approx(TI_S + hidden_s, abs=2.0 / rate_hz)


def test_a_pause_is_released_at_once() -> None:
    # Peak, then a plateau at seven tenths of it (resistance, ISO 19223: end-inspiratory pause).
    def paused(share: float) -> float:
        return 0.3 + 0.7 * share / 0.4 if share < 0.4 else 0.7

    course = Course(pushes=[Push(4 + 6.0 * n, 3.0, 30.0, form=paused) for n in range(8)])
    found = read(course.samples())
    assert [one.kind for one in found.inflations] == ["ventilator"] * 8
    for one in found.inflations:
        assert one.ti_s == pytest.approx(3.0, abs=0.03)
        assert one.effort_cmh2o is None


def test_three_coughs_while_the_ventilator_pauses_are_artefacts() -> None:
    course = Course(pushes=even(10), noise_cmh2o=0.03)
    course.bumps = [Bump(course.pushes[-1].end_s + 6.0 + 0.9 * n, 0.1, 25.0) for n in range(3)]
    course.pushes += [Push(course.pushes[-1].end_s + 10.0 + 2.0 * n, TI_S, 10.0) for n in range(5)]
    found = read(course.samples())
    assert len(found.artefacts) == 3
    assert [one.kind for one in found.inflations] == ["ventilator"] * 15
