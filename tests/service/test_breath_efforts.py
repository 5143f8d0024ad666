"""Efforts of the animal: such as start an inflation, pull against one, or are left unanswered.

Half sines under the resting pressure: common practice, no source.
"""

from __future__ import annotations

import pytest
from pressure_course import BEGIN_S, Bump, Course, even, read

DEPTH_SHARE = 0.2
PULLED = (5, 7, 9)
#: Depths and lengths at which a quarter of the effort lasts for some samples.
PULLS = pytest.mark.parametrize(
    ("depth", "length_s"),
    [(2.0, 0.2), (2.0, 0.5), (4.0, 0.1), (4.0, 0.3), (8.0, 0.1), (8.0, 0.3), (8.0, 0.5)],
)
RATES = pytest.mark.parametrize("rate_hz", [50.0, 100.0, 500.0])


def _course(rate_hz: float, bumps: list[Bump]) -> Course:
    pushes = even(12, ti_s=0.8, te_s=2.2)
    return Course(pushes=pushes, bumps=bumps, rate_hz=rate_hz, noise_cmh2o=0.03)


@RATES
@PULLS
def test_an_effort_that_starts_an_inflation(depth: float, length_s: float, rate_hz: float) -> None:
    bumps = [Bump(4.0 + 3.0 * n - 0.05 - length_s, length_s, -depth) for n in PULLED]
    found = read(_course(rate_hz, bumps).samples())
    assert len(found.inflations) == 12
    assert found.efforts == []
    for number, one in enumerate(found.inflations):
        assert one.kind == ("assisted" if number in PULLED else "ventilator")
        # Two samples: at 50 a second a sudden release lies anywhere between two of them.
        assert one.ti_s == pytest.approx(0.8, abs=max(0.025, 2.0 / rate_hz))
        if number in PULLED:
            assert one.effort_cmh2o == pytest.approx(depth, rel=DEPTH_SHARE)
        else:
            assert one.effort_cmh2o is None


@RATES
@pytest.mark.parametrize(
    ("depth", "length_s"), [(4.0, 0.1), (4.0, 0.2), (4.0, 0.3), (8.0, 0.2), (8.0, 0.3), (8.0, 0.5)]
)
def test_an_effort_against_an_inflation(depth: float, length_s: float, rate_hz: float) -> None:
    bumps = [Bump(4.0 + 3.0 * n + 0.25, length_s, -depth) for n in PULLED]
    found = read(_course(rate_hz, bumps).samples())
    assert len(found.inflations) == 12
    assert not found.artefacts
    for number, one in enumerate(found.inflations):
        assert one.kind == ("assisted" if number in PULLED else "ventilator")
        if number in PULLED:
            assert one.effort_cmh2o == pytest.approx(depth, rel=DEPTH_SHARE)


@RATES
@PULLS
def test_efforts_between_inflations(depth: float, length_s: float, rate_hz: float) -> None:
    bumps = [Bump(4.0 + 3.0 * n + 1.6, length_s, -depth) for n in PULLED]
    found = read(_course(rate_hz, bumps).samples())
    assert [one.kind for one in found.inflations] == ["ventilator"] * 12
    assert len(found.efforts) == len(PULLED)
    for effort, bump in zip(found.efforts, bumps, strict=True):
        assert effort.depth_cmh2o == pytest.approx(depth, rel=DEPTH_SHARE)
        assert bump.start_s <= effort.start_s - BEGIN_S <= bump.start_s + length_s / 2
        assert effort.end_s - BEGIN_S == pytest.approx(bump.start_s + length_s, abs=0.1)


@pytest.mark.parametrize("apart_s", [0.3, 0.5, 1.0])
def test_efforts_soon_after_each_other_are_all_counted(apart_s: float) -> None:
    bumps = [Bump(17.5 + apart_s * n, 0.15, -4.0) for n in range(3)]
    pushes = even(4) + [p for p in even(20) if p.start_s > 22.0]
    found = read(Course(pushes=pushes, bumps=bumps).samples())
    assert len(found.efforts) == 3
    assert all(effort.depth_cmh2o == pytest.approx(4.0, rel=0.2) for effort in found.efforts)


def test_an_effort_before_a_cough_is_counted() -> None:
    bumps = [Bump(14.9, 0.2, -4.0), Bump(15.15, 0.08, 30.0)]
    found = read(Course(pushes=even(10), bumps=bumps).samples())
    assert len(found.inflations) == 10
    assert len(found.artefacts) == 1
    assert [effort.depth_cmh2o for effort in found.efforts] == [pytest.approx(4.0, rel=0.2)]


def test_own_breathing_alone_is_efforts_only() -> None:
    course = Course(bumps=[Bump(4.0 + 2.0 * n, 0.6, -3.0) for n in range(20)])
    found = read(course.samples())
    assert found.inflations == []
    assert found.artefacts == []
    assert len(found.efforts) == 20


@pytest.mark.parametrize("rate_hz", [50.0, 100.0, 500.0])
def test_noise_and_heartbeat_are_no_efforts(rate_hz: float) -> None:
    course = Course(pushes=even(20, height=10.0), rate_hz=rate_hz, noise_cmh2o=0.1, beat_cmh2o=0.2)
    found = read(course.samples())
    assert [one.kind for one in found.inflations] == ["ventilator"] * 20
    assert found.efforts == []


@pytest.mark.parametrize("drop", [1.5, 2.0, 4.0])
def test_a_lower_rest_that_lasts_until_the_inflation_is_no_effort(drop: float) -> None:
    # PEEP is taken back 0.6 s before an inflation.
    course = Course(pushes=even(14), noise_cmh2o=0.03)
    course.peep = lambda t: 5.0 if t < 17.4 else 5.0 - drop
    inflations = read(course.samples()).inflations
    assert [one.kind for one in inflations] == ["ventilator"] * 14
    for number, one in enumerate(inflations):
        assert one.baseline_cmh2o == pytest.approx(5.0 if number < 7 else 5.0 - drop, abs=0.3)
