"""Breaths through what happens to a stream: losses, drift, steps of PEEP, clocks, standby, rates.

The bounds of the conditions: common practice, no source.
"""

from __future__ import annotations

import random

import pytest
from pressure_course import BEGIN_S, Course, Push, Sample, even, match, read

from service.signals.breaths import BreathFinder

TI_S = 0.5


@pytest.mark.parametrize("rate_hz", [50.0, 100.0, 500.0])
@pytest.mark.parametrize("share", [0.01, 0.05, 0.1, 0.2])
def test_single_samples_lost(share: float, rate_hz: float) -> None:
    chance = random.Random(4)
    whole = Course(pushes=even(16), rate_hz=rate_hz, noise_cmh2o=0.03).samples()
    samples: list[Sample] = [(t, None if chance.random() < share else p) for t, p in whole]
    inflations = read(samples).inflations
    assert [one.kind for one in inflations] == ["ventilator"] * 16
    for one in inflations:
        assert one.ti_s == pytest.approx(TI_S, abs=4.0 / rate_hz)


@pytest.mark.parametrize("rate_hz", [50.0, 100.0, 500.0])
@pytest.mark.parametrize("burst_s", [0.2, 0.6, 2.0])
def test_bursts_lost_cost_the_breaths_they_fall_into(burst_s: float, rate_hz: float) -> None:
    course = Course(pushes=even(40), rate_hz=rate_hz, noise_cmh2o=0.03)
    begins = [BEGIN_S + 20.0 + 11.3 * n for n in range(5)]
    whole = course.samples()
    lost = [any(b <= t < b + burst_s for b in begins) for t, _ in whole]
    as_none = [(t, None if gone else p) for (t, p), gone in zip(whole, lost, strict=True)]
    left_out = [s for s, gone in zip(whole, lost, strict=True) if not gone]
    for samples in (as_none, left_out):
        inflations = read(samples).inflations
        hits = match(inflations, course.pushes)
        assert sum(one is not None for one in hits) == len(inflations)
        touched = sum(
            any(p.start_s - 0.1 < b - BEGIN_S + burst_s and b - BEGIN_S < p.end_s for b in begins)
            for p in course.pushes
        )
        assert len(inflations) >= 40 - touched - 5
        for one in inflations:
            assert one.ti_s == pytest.approx(TI_S, abs=4.0 / rate_hz)


@pytest.mark.parametrize("drift_per_min", [-3.0, 3.0])
@pytest.mark.parametrize("offset", [-5.0, 5.0])
def test_drift_and_offset(drift_per_min: float, offset: float) -> None:
    course = Course(pushes=even(60), noise_cmh2o=0.03)
    course.peep = lambda t: offset + drift_per_min * t / 60.0
    inflations = read(course.samples()).inflations
    assert [one.kind for one in inflations] == ["ventilator"] * 60
    for one in inflations:
        assert one.ti_s == pytest.approx(TI_S, abs=0.03)
        true = course.peep(one.start_s - BEGIN_S)
        assert one.baseline_cmh2o == pytest.approx(true, abs=0.15)


@pytest.mark.parametrize("after_s", [0.9, 1.3, 1.9])
@pytest.mark.parametrize(
    ("before", "after"), [(0, 1), (1, 0), (0, 3), (3, 0), (2, 6), (6, 2), (5, 0), (8, 0), (0, 8)]
)
def test_a_step_of_peep(before: float, after: float, after_s: float) -> None:
    # Down, or up by less than half of the height, costs one breath at most; 8 of 12 up, three.
    course = Course(pushes=even(20, height=12.0), noise_cmh2o=0.03)
    course.peep = lambda t: before if t < 16.0 + after_s else after
    hits = match(read(course.samples()).inflations, course.pushes)
    assert all(hits[:7])
    assert all(hits[8 if after - before < 6 else 10 :])
    for number, one in enumerate(hits):
        if one is not None and number not in (7, 8):
            assert one.ti_s == pytest.approx(TI_S, abs=0.03)
            true = before if number < 7 else after
            assert one.baseline_cmh2o == pytest.approx(true, abs=0.3)


def _ti_s(rr: float) -> float:
    return min(1.5, max(0.1, 0.3 * 60.0 / rr))


#: With fewer than five samples an inflation has no form.
READABLE = [
    (rr, rate_hz)
    for rr in (2.0, 10.0, 40.0, 100.0, 150.0)
    for rate_hz in (25.0, 50.0, 100.0, 125.0, 200.0, 250.0, 500.0)
    if _ti_s(rr) * rate_hz >= 5.0
]


@pytest.mark.parametrize(("rr", "rate_hz"), READABLE)
@pytest.mark.parametrize("pip", [3.0, 10.0, 45.0])
def test_rates_and_pressures(pip: float, rr: float, rate_hz: float) -> None:
    period_s, ti_s = 60.0 / rr, _ti_s(rr)
    count = 4 if rr < 5.0 else 10
    pushes = even(count, ti_s, period_s - ti_s, pip, step_cmh2o=0.1 * pip, tau_s=0.02)
    found = read(Course(pushes=pushes, rate_hz=rate_hz).samples())
    assert [one.kind for one in found.inflations] == ["ventilator"] * count
    assert found.artefacts == []
    assert found.efforts == []
    for one in found.inflations:
        assert one.ti_s == pytest.approx(ti_s, abs=max(2.0 / rate_hz, 0.006))
        assert one.pip_cmh2o == pytest.approx(pip, abs=0.3 + pip / ti_s / rate_hz)


@pytest.mark.parametrize("beat_hz", [2.0, 4.0, 6.0, 10.0])
@pytest.mark.parametrize(("pip", "beat"), [(4.0, 0.1), (6.0, 0.3), (10.0, 0.5)])
def test_heartbeats_on_small_breaths(pip: float, beat: float, beat_hz: float) -> None:
    course = Course(pushes=even(20, height=pip), beat_cmh2o=beat, beat_hz=beat_hz)
    found = read(course.samples())
    assert len(found.inflations) == 20
    assert all(match(found.inflations, course.pushes))
    assert found.efforts == []
    assert found.artefacts == []


@pytest.mark.parametrize("noise", [0.1, 0.2, 0.3])
def test_noise(noise: float) -> None:
    found = read(Course(pushes=even(30), noise_cmh2o=noise).samples())
    assert [one.kind for one in found.inflations] == ["ventilator"] * 30


def test_standby_and_return() -> None:
    pushes = even(8)
    back_s = pushes[-1].end_s + 90.0
    pushes += [Push(back_s + 2.0 * n, TI_S, 10.0) for n in range(8)]
    found = read(Course(pushes=pushes, noise_cmh2o=0.03).samples())
    assert [one.kind for one in found.inflations] == ["ventilator"] * 16
    # What a minute did not follow has no expiratory time.
    without = [number for number, breath in enumerate(found.breaths) if breath.te_s is None]
    assert without == [7, 15]
    assert found.inflations[8].period_s is None


@pytest.mark.parametrize("back_s", [0.5, 7.0, 3600.0])
def test_a_clock_that_is_set_back(back_s: float) -> None:
    samples = Course(pushes=even(10), noise_cmh2o=0.03).samples()
    finder = BreathFinder()
    first = finder.feed(samples, "d:e:1")
    shift_s = samples[-1][0] - samples[0][0] - back_s
    second = finder.feed([(t + shift_s, p) for t, p in samples], "d:e:2")
    assert len(first.inflations) == 10
    assert len(second.inflations) >= 9
    for one in second.inflations:
        assert one.ti_s == pytest.approx(TI_S, abs=0.03)
