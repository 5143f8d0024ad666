"""What is measured of a breath, against closed forms.

Single compartment at constant flow (Bates 2009, Lung Mechanics): a step R Q, then an even rise to
PIP; a lung that empties through a valve's resistance falls with one time constant R C.
"""

from __future__ import annotations

import math

import pytest
from pressure_course import BEGIN_S, Course, Sample, even, read

TI_S, TE_S, PIP, VALVE_TAU_S = 0.8, 2.2, 12.0, 0.03


@pytest.mark.parametrize("rate_hz", [50.0, 100.0, 500.0])
@pytest.mark.parametrize("step", [0.0, 2.0, 5.0])
def test_area_mean_and_times(step: float, rate_hz: float) -> None:
    course = Course(pushes=even(8, TI_S, TE_S, PIP, step_cmh2o=step), rate_hz=rate_hz)
    found = read(course.samples())
    area = TI_S * (step + PIP) / 2.0
    for one, breath in list(zip(found.inflations, found.breaths, strict=True))[1:-1]:
        sample_s = 1.0 / rate_hz
        assert one.area_cmh2o_s == pytest.approx(area, abs=0.75 * PIP * sample_s)
        assert one.to_peak_s == pytest.approx(TI_S, abs=sample_s + 1e-3)
        for target in (7.0, 9.0, 12.0):
            true_s = TI_S * (target - step) / (PIP - step)
            assert one.time_to_s(target) == pytest.approx(true_s, abs=sample_s + 1e-3)
        assert one.time_to_s(13.0) is None
        mean = (area + PIP * VALVE_TAU_S) / (TI_S + TE_S)
        assert breath.mean_cmh2o == pytest.approx(mean, rel=0.02)
        assert one.slope_cmh2o_per_s == pytest.approx((PIP - step) / TI_S, rel=0.02)
        assert one.step_cmh2o == pytest.approx(step, abs=0.2 + 10.0 * sample_s)


@pytest.mark.parametrize("share", [0.1, 0.25, 0.5, 0.75])
def test_profile(share: float) -> None:
    course = Course(pushes=even(8, TI_S, TE_S, PIP, step_cmh2o=2.0), rate_hz=200.0)
    at = (0.1, 0.25, 0.5, 0.75).index(share)
    for one in read(course.samples()).inflations:
        assert one.profile_cmh2o is not None
        assert one.profile_cmh2o[at] == pytest.approx(2.0 + 10.0 * share, abs=0.15)


def _trapping(tau_s: float, te_s: float, pip: float, rate_hz: float = 100.0) -> list[Sample]:
    """Pressure that falls towards nought from PIP, and rises to it from wherever it had come."""
    left = pip * math.exp(-te_s / tau_s)
    samples: list[Sample] = [(BEGIN_S + at / rate_hz, left) for at in range(400)]
    period_s = TI_S + te_s
    for at in range(round(12 * period_s * rate_hz)):
        within = (at + 1e-6) / rate_hz % period_s
        rising = within < TI_S
        p = (
            left + (pip - left) * within / TI_S
            if rising
            else pip * math.exp((TI_S - within) / tau_s)
        )
        samples.append((BEGIN_S + 4.0 + at / rate_hz, p))
    return samples


@pytest.mark.parametrize("tau_s", [0.3, 0.5, 0.8])
@pytest.mark.parametrize("taus", [2.0, 2.5, 3.0])
def test_an_expiration_that_is_cut_short_is_unfinished(taus: float, tau_s: float) -> None:
    # In its last quarter it still falls, from exp(-3/4 Te/tau) to exp(-Te/tau) of PIP.
    found = read(_trapping(tau_s, taus * tau_s, 15.0))
    assert len(found.inflations) >= 11
    falls = 15.0 * (math.exp(-0.75 * taus) - math.exp(-taus))
    for breath in found.breaths[2:-1]:
        assert breath.unfinished_cmh2o is not None
        assert 0.25 * falls < breath.unfinished_cmh2o < 2.0 * falls


@pytest.mark.parametrize("tau_s", [0.05, 0.15, 0.3])
def test_an_expiration_that_comes_to_its_end_is_finished(tau_s: float) -> None:
    found = read(_trapping(tau_s, 8.0 * tau_s + 0.3, 15.0))
    assert len(found.inflations) >= 11
    for breath in found.breaths[2:-1]:
        assert breath.unfinished_cmh2o == pytest.approx(0.0, abs=0.1)
