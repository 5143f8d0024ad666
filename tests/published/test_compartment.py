"""Compliance, resistance and volume from the ramp: against an integrator and by repetition.

Source of the model: Bates 2009, Lung Mechanics; the integrator is SciPy's solve_ivp on the two
mass balances. The stated 90 % intervals are held by repeating the measurement with random errors.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp, trapezoid

from service.physiology import compartment, flow_volume, mechanics
from service.physiology.compartment import Breath, Ramp
from service.physiology.flow_volume import FlowErrors
from service.physiology.mechanics import Inflation, Lung
from service.physiology.uncertain import Uncertain, by_sd, by_share, difference, product

REPEATS = 3000
# A stated 90 % interval may cover 88 to 95 %: the count itself is uncertain by 0.5 %.
COVERED = (0.88, 0.95)

# C mL/cmH2O, R cmH2O.s/L, Q mL/s, Cc mL/cmH2O: the worked lungs of 0.3 and 3 kg, and a stiff one.
LUNGS = {
    "0.3 kg": (0.45, 60.0, 10.0, 0.1),
    "3 kg": (4.9, 11.3, 60.0, 0.3),
    "0.3 kg, stiff": (0.3, 200.0, 8.0, 0.15),
    "rigid circuit": (1.6, 30.0, 20.0, 0.0),
}


def _line_by_integration(c: float, r_per_l: float, q: float, cc: float) -> tuple[float, float]:
    """Slope and offset of airway pressure long after the transient (Radau, 1e-10)."""
    r = r_per_l / 1000.0
    settled = 40.0 * r * c * cc / (c + cc)

    def derivative(_: float, state: np.ndarray) -> list[float]:
        into_lung = (state[0] - state[1]) / r
        return [(q - into_lung) / cc, into_lung / c]

    times = [settled, settled + 1.0]
    solved = solve_ivp(
        derivative, (0.0, times[1]), [0.0, 0.0], "Radau", t_eval=times, rtol=1e-10, atol=1e-12
    )
    slope = float(solved.y[0, 1] - solved.y[0, 0])
    return slope, float(solved.y[0, 0]) - slope * settled


@pytest.mark.parametrize("name", [name for name, row in LUNGS.items() if row[3] > 0.0])
def test_the_line_is_that_of_an_independent_integrator(name: str) -> None:
    c, r, q, cc = LUNGS[name]
    slope, offset = _line_by_integration(c, r, q, cc)
    assert compartment.ramp_of(c, r, q, cc) == pytest.approx((slope, offset), rel=1e-6)
    found = compartment.compartment_of(Ramp(q, slope, offset, cc))
    assert found.compliance_ml_per_cmh2o.value == pytest.approx(c, rel=1e-5)
    assert found.resistance_cmh2o_s_per_l.value == pytest.approx(r, rel=1e-5)


def test_a_worked_ramp() -> None:
    # Computed: Q 10, C 0.45, Cc 0.1, R 60: slope 10/0.55, offset 0.6 (0.45/0.55)^2.
    assert compartment.ramp_of(0.45, 60.0, 10.0, 0.1) == pytest.approx(
        (18.1818, 0.401653), rel=1e-4
    )
    # Without a circuit the offset is the whole step RQ: 0.6000 and 0.6780 cmH2O (Bates 2009).
    assert compartment.ramp_of(0.45, 60.0, 10.0)[1] == pytest.approx(0.6000, rel=1e-3)
    assert compartment.ramp_of(4.9, 11.3, 60.0)[1] == pytest.approx(0.6780, rel=1e-3)


@pytest.mark.parametrize("name", LUNGS)
def test_the_closed_form_runs_along_that_line(name: str) -> None:
    c, r, q, cc = LUNGS[name]
    slope, offset = compartment.ramp_of(c, r, q, cc)
    late_s = 40.0 * r / 1000.0 * c * cc / (c + cc) + 0.2
    breath = Inflation(q, 1000.0, 2.0, cc)
    pressure = mechanics.pressures_cmh2o(Lung(c, r), breath, late_s)[0]
    assert pressure == pytest.approx(2.0 + offset + slope * late_s, rel=1e-9)


def _covered(truth: float, found: list[Uncertain]) -> float:
    return sum(truth in interval for interval in found) / len(found)


def _in_bounds(truth: float, found: list[Uncertain]) -> None:
    assert COVERED[0] <= _covered(truth, found) <= COVERED[1]
    # Neither end may carry all of the misses: each is a centile of its own.
    for side in (
        sum(truth < interval.low for interval in found) / len(found),
        sum(truth > interval.high for interval in found) / len(found),
    ):
        assert 0.02 < side < 0.085


@pytest.mark.parametrize("name", LUNGS)
@pytest.mark.parametrize("errors", [(0.05, 0.05, 0.1, 0.1), (0.10, 0.03, 0.05, 0.05)])
def test_intervals_of_compliance_and_resistance_cover(
    name: str, errors: tuple[float, float, float, float]
) -> None:
    c, r, q, cc = LUNGS[name]
    slope, offset = compartment.ramp_of(c, r, q, cc)
    flow_sd, slope_sd, offset_share, circuit_sd = errors
    offset_sd = offset_share * offset
    rng = np.random.default_rng(20261125)
    lungs, tubes = [], []
    for z in rng.standard_normal((REPEATS, 4)):
        ramp = Ramp(
            q * np.exp(flow_sd * z[0]),
            slope * np.exp(slope_sd * z[1]),
            offset + offset_sd * z[2],
            cc * np.exp(circuit_sd * z[3]),
            flow_sd,
            slope_sd,
            offset_sd,
            circuit_sd,
        )
        found = compartment.compartment_of(ramp)
        lungs.append(found.compliance_ml_per_cmh2o)
        tubes.append(found.resistance_cmh2o_s_per_l)
    _in_bounds(c, lungs)
    _in_bounds(r, tubes)


@pytest.mark.parametrize("circuit", [0.0, 0.1, 0.3])
def test_interval_of_the_tidal_volume_covers(circuit: float) -> None:
    # The 0.3 kg case: 10 mL/s, Ti of the closed form, PIP 12, PEEP 2.
    lung, inflation = Lung(0.45, 60.0), Inflation(10.0, 12.0, 2.0, circuit)
    ti = mechanics.inflation_time_s(lung, inflation)
    truth = mechanics.inflation_volume_ml(lung, inflation)
    true = Breath(10.0, ti, 12.0, 2.0, circuit, 0.07, 0.02, 0.3, 0.15)
    assert compartment.tidal_volume(true).value == pytest.approx(truth, rel=1e-6)
    rng = np.random.default_rng(1)
    found = [
        compartment.tidal_volume(
            replace(
                true,
                flow_ml_per_s=10.0 * np.exp(0.07 * z[0]),
                ti_s=ti + 0.02 * z[1],
                pip_cmh2o=12.0 + 0.3 * z[2],
                baseline_cmh2o=2.0 + 0.3 * z[3],
                circuit_ml_per_cmh2o=circuit * np.exp(0.15 * z[4]),
            )
        )
        for z in rng.standard_normal((REPEATS, 5))
    ]
    _in_bounds(truth, found)


def test_a_worked_tidal_volume() -> None:
    # Mass balance, computed: 0.3 kg with Cc 0.1: 5.279 in, 1.000 in the circuit, 4.279 mL.
    volume = compartment.tidal_volume(Breath(10.0, 0.5279, 12.0, 2.0, 0.1))
    assert volume.value == pytest.approx(4.279, rel=1e-3)
    assert volume.low == volume.value == volume.high
    occluded = compartment.tidal_volume(Breath(10.0, 0.09, 12.0, 2.0, 0.1))
    assert occluded == Uncertain(0.0, 0.0, 0.0)


def _flow_wave(
    rate_hz: float, offset: float, breaths: int = 3
) -> tuple[np.ndarray, np.ndarray, list[tuple[float, float]], list[tuple[float, float]]]:
    """Half-sine inspirations of 4 mL in 0.5 s, half-sine expirations in 0.6 s, pauses of 0.9 s."""
    period, ti, te = 2.0, 0.5, 0.6
    times = (np.arange(round(breaths * period * rate_hz)) + 0.5) / rate_hz
    phase = times % period
    flow = np.full_like(times, offset)
    into, out = phase < ti, (phase >= ti) & (phase < ti + te)
    flow[into] += 4.0 * np.pi / (2.0 * ti) * np.sin(np.pi * phase[into] / ti)
    flow[out] -= 4.0 * np.pi / (2.0 * te) * np.sin(np.pi * (phase[out] - ti) / te)
    starts = [period * number for number in range(breaths)]
    inspired = [(start, start + ti) for start in starts]
    paused = [(start + ti + te + 0.1, start + period - 0.1) for start in starts]
    return times, flow, inspired, paused


@pytest.mark.parametrize("offset", [-3.0, 0.0, 5.0])
@pytest.mark.parametrize("by_pauses", [False, True])
def test_a_constant_error_of_the_zero_is_taken_out(offset: float, by_pauses: bool) -> None:
    times, flow, inspired, paused = _flow_wave(200.0, offset)
    found = flow_volume.integrated_volume_ml(
        times.tolist(), flow.tolist(), inspired, paused if by_pauses else None
    )
    assert found.volume_ml.value == pytest.approx(4.0, rel=1e-3)
    assert found.offset_ml_per_s == pytest.approx(offset, abs=1e-3)


def test_against_the_trapezoidal_rule_of_scipy() -> None:
    # scipy.integrate.trapezoid on the flow less its known zero error.
    times, flow, inspired, _ = _flow_wave(100.0, 2.0)
    found = flow_volume.integrated_volume_ml(times.tolist(), flow.tolist(), inspired)
    start, end = inspired[1]
    within = (times >= start) & (times <= end)
    by_scipy = trapezoid(flow[within] - 2.0, times[within])
    assert found.volume_ml.value == pytest.approx(by_scipy, rel=5e-3)


@pytest.mark.parametrize("by_pauses", [False, True])
@pytest.mark.parametrize(("noise", "scale"), [(1.0, 0.0), (1.0, 0.03), (0.2, 0.05)])
def test_interval_of_the_integrated_volume_covers(
    by_pauses: bool, noise: float, scale: float
) -> None:
    times, flow, inspired, paused = _flow_wave(50.0, 1.5)
    # What the samples can say without noise: their sum is 4 mL within 0.1 %.
    truth = 4.0
    rng = np.random.default_rng(7)
    errors = FlowErrors(noise, scale)
    found = []
    for _ in range(1500):
        gain = np.exp(scale * rng.standard_normal())
        seen = gain * flow + noise * rng.standard_normal(len(flow))
        found.append(
            flow_volume.integrated_volume_ml(
                times.tolist(), seen.tolist(), inspired, paused if by_pauses else None, errors
            ).volume_ml
        )
    assert COVERED[0] <= _covered(truth, found) <= COVERED[1]


def test_intervals_by_simulated_quantiles() -> None:
    # Two normal and two log-normal values: ends against the quantiles of a million draws (NumPy).
    rng = np.random.default_rng(3)
    z = rng.standard_normal((2, 1_000_000))
    drawn = (10.0 + z[0]) - (4.0 + 0.5 * z[1])
    ours = difference(by_sd(10.0, 1.0), by_sd(4.0, 0.5))
    assert (ours.low, ours.high) == pytest.approx(np.quantile(drawn, (0.05, 0.95)), abs=0.01)
    drawn = 10.0 * np.exp(0.1 * z[0]) * 4.0 * np.exp(0.1 * z[1])
    ours = product(by_share(10.0, 0.1), by_share(4.0, 0.1))
    assert (ours.low, ours.high) == pytest.approx(np.quantile(drawn, (0.05, 0.95)), rel=0.015)
