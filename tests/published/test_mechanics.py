"""Single-compartment mechanics against the textbook model and an independent integrator.

Source unless said otherwise: Bates 2009, Lung Mechanics, linear single-compartment model; worked
values computed from its formulas. The integrator is SciPy's solve_ivp on the mass balance.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from service.physiology import mechanics, timing
from service.physiology.mechanics import Inflation, Lung

FORMULA = 1e-3
ROUNDED = 2e-3  # where the worked value has only three figures

SMALL = Lung(0.45, 60.0)  # 0.3 kg
LARGE = Lung(4.9, 11.3)  # 3 kg
SMALL_BREATH = Inflation(10.0, 12.0, peep_cmh2o=2.0)
LARGE_BREATH = Inflation(60.0, 12.0, peep_cmh2o=2.0)
TE_S = 2.0
CASES = {"0.3 kg": (SMALL, SMALL_BREATH), "3 kg": (LARGE, LARGE_BREATH)}


def _ti(lung: Lung, breath: Inflation) -> float:
    return mechanics.inflation_time_s(lung, breath)


def _vt(lung: Lung, breath: Inflation) -> float:
    return mechanics.inflation_volume_ml(lung, breath)


@pytest.mark.parametrize(
    ("case", "rc", "step", "alveolar"),
    [("0.3 kg", 0.02700, 0.6000, 11.40), ("3 kg", 0.05537, 0.6780, 11.32)],
)
def test_time_constant_step_and_end_inspiratory_pressure(
    case: str, rc: float, step: float, alveolar: float
) -> None:
    lung, breath = CASES[case]
    assert lung.time_constant_s == pytest.approx(rc, rel=FORMULA)
    ours = mechanics.resistive_step_cmh2o(breath.flow_ml_per_s, lung.resistance_cmh2o_s_per_l)
    assert ours == pytest.approx(step, rel=FORMULA)
    end = mechanics.pressures_cmh2o(lung, breath, _ti(lung, breath))[1]
    assert end == pytest.approx(alveolar, rel=FORMULA)


@pytest.mark.parametrize(
    ("case", "t_s", "pressure"),
    [
        ("0.3 kg", 0.0, 2.600),
        ("0.3 kg", 0.1, 4.822),
        ("0.3 kg", 0.2, 7.044),
        ("0.3 kg", 0.3, 9.267),
        ("0.3 kg", 0.4, 11.49),
        ("0.3 kg", 0.423, 12.00),
        ("3 kg", 0.0, 2.678),
        ("3 kg", 0.2, 5.127),
        ("3 kg", 0.4, 7.576),
        ("3 kg", 0.6, 10.02),
        ("3 kg", 0.7613, 12.00),
    ],
)
def test_airway_pressure(case: str, t_s: float, pressure: float) -> None:
    # P(t) = PEEP + RQ + Qt/C.
    lung, breath = CASES[case]
    ours = mechanics.pressures_cmh2o(lung, breath, t_s)[0]
    assert ours == pytest.approx(pressure, rel=FORMULA)


@pytest.mark.parametrize(
    ("case", "c_factor", "r_factor", "ti", "vt"),
    [
        ("0.3 kg", 1.0, 1.0, 0.4230, 4.230),
        ("0.3 kg", 0.5, 1.0, 0.2115, 2.115),
        ("0.3 kg", 1.0, 2.0, 0.3960, 3.960),
        ("3 kg", 1.0, 1.0, 0.7613, 45.68),
        ("3 kg", 0.5, 1.0, 0.3806, 22.84),
        ("3 kg", 1.0, 2.0, 0.7059, 42.36),
    ],
)
def test_ti_and_volume(case: str, c_factor: float, r_factor: float, ti: float, vt: float) -> None:
    # Ti = C (PIP - PEEP - RQ)/Q, VT = Q Ti.
    lung, breath = CASES[case]
    changed = Lung(
        c_factor * lung.compliance_ml_per_cmh2o, r_factor * lung.resistance_cmh2o_s_per_l
    )
    assert _ti(changed, breath) == pytest.approx(ti, rel=FORMULA)
    assert _vt(changed, breath) == pytest.approx(vt, rel=FORMULA)


@pytest.mark.parametrize("case", CASES)
def test_half_the_compliance_is_exactly_half_of_both(case: str) -> None:
    lung, breath = CASES[case]
    half = replace(lung, compliance_ml_per_cmh2o=lung.compliance_ml_per_cmh2o / 2.0)
    assert _ti(half, breath) / _ti(lung, breath) == pytest.approx(0.5, rel=1e-9)
    assert _vt(half, breath) / _vt(lung, breath) == pytest.approx(0.5, rel=1e-9)


@pytest.mark.parametrize(
    ("case", "mean", "rate"), [("0.3 kg", 2.925, 24.76), ("3 kg", 3.472, 21.73)]
)
def test_mean_pressure_and_rate(case: str, mean: float, rate: float) -> None:
    # Mean Paw = [((PEEP+RQ)+PIP)/2 Ti + PEEP Te]/(Ti+Te).
    lung, breath = CASES[case]
    ti = _ti(lung, breath)
    step = mechanics.resistive_step_cmh2o(breath.flow_ml_per_s, lung.resistance_cmh2o_s_per_l)
    ours = mechanics.mean_airway_pressure_cmh2o(ti, TE_S, 12.0, 2.0, step)
    assert ours == pytest.approx(mean, rel=FORMULA)
    assert timing.respiratory_rate_per_min(ti, TE_S) == pytest.approx(rate, rel=FORMULA)


@pytest.mark.parametrize(
    ("case", "cc", "c_factor", "ti", "delivered", "vt"),
    [
        ("0.3 kg", 0.1, 1.0, 0.5279, 5.279, 4.279),
        ("0.3 kg", 0.1, 0.5, 0.3157, 3.157, 2.157),
        ("3 kg", 0.3, 1.0, 0.8145, 48.87, 45.87),
        ("3 kg", 0.3, 0.5, 0.4337, 26.02, 23.02),
    ],
)
def test_with_circuit_compliance(
    case: str, cc: float, c_factor: float, ti: float, delivered: float, vt: float
) -> None:
    # Mass balance: the lung gets exactly Q Ti - Cc (PIP - PEEP).
    lung, breath = CASES[case]
    lung = replace(lung, compliance_ml_per_cmh2o=c_factor * lung.compliance_ml_per_cmh2o)
    breath = replace(breath, circuit_ml_per_cmh2o=cc)
    ours = _ti(lung, breath)
    flow = breath.flow_ml_per_s
    assert ours == pytest.approx(ti, rel=FORMULA)
    assert flow * ours == pytest.approx(delivered, rel=FORMULA)
    assert mechanics.tidal_volume_ml(flow, ours, cc, 12.0, 2.0) == pytest.approx(vt, rel=FORMULA)
    assert _vt(lung, breath) == pytest.approx(vt, rel=FORMULA)
    assert delivered - vt == pytest.approx(cc * 10.0, rel=FORMULA)  # compressible: 1.000, 3.000


@pytest.mark.parametrize(("case", "cc", "ratio"), [("0.3 kg", 0.1, 0.5979), ("3 kg", 0.3, 0.5324)])
def test_circuit_compliance_hides_part_of_a_stiffer_lung(
    case: str, cc: float, ratio: float
) -> None:
    lung, breath = CASES[case]
    breath = replace(breath, circuit_ml_per_cmh2o=cc)
    half = replace(lung, compliance_ml_per_cmh2o=lung.compliance_ml_per_cmh2o / 2.0)
    assert _ti(half, breath) / _ti(lung, breath) == pytest.approx(ratio, rel=FORMULA)


@pytest.mark.parametrize(
    ("case", "leak", "without", "with_leak"),
    [("0.3 kg", 0.5, 0.4500, 0.7298), ("3 kg", 3.0, 0.8167, 1.325)],
)
def test_leak(case: str, leak: float, without: float, with_leak: float) -> None:
    # Ti = (C/G) ln[(Q/G - PEEP)/(Q/G - PIP)], R neglected.
    lung, breath = CASES[case]
    lung = replace(lung, resistance_cmh2o_s_per_l=0.0)
    assert _ti(lung, breath) == pytest.approx(without, rel=FORMULA)
    leaky = replace(breath, leak_ml_per_s_per_cmh2o=leak)
    assert _ti(lung, leaky) == pytest.approx(with_leak, rel=FORMULA)


def test_a_leak_that_takes_the_whole_flow_never_cycles() -> None:
    # Q/G <= PIP: 10/0.9 = 11.1 cmH2O at most.
    leaky = replace(SMALL_BREATH, leak_ml_per_s_per_cmh2o=0.9)
    assert math.isinf(_ti(SMALL, leaky))
    assert math.isinf(_vt(SMALL, leaky))
    edge = replace(SMALL_BREATH, leak_ml_per_s_per_cmh2o=10.0 / 12.0)
    assert math.isinf(_ti(SMALL, edge))


@pytest.mark.parametrize(
    ("constants", "left"),
    [(1, 0.3679), (2, 0.1353), (3, 0.04979), (4, 0.01832), (5, 0.006738)],
)
def test_exhalation(constants: int, left: float) -> None:
    # V/V0 = exp(-t/RC).
    rc = SMALL.time_constant_s
    assert mechanics.share_left(constants * rc, rc) == pytest.approx(left, rel=FORMULA)


@pytest.mark.parametrize(
    ("c", "r", "vt", "te", "auto_peep"),
    [
        (4.9, 50.0, 30.0, 0.5, 0.9142),
        (0.45, 300.0, 3.0, 0.3, 0.8103),
        (50.0, 10.0, 500.0, 2.0, 0.1866),
    ],
)
def test_auto_peep_at_fixed_volume(
    c: float, r: float, vt: float, te: float, auto_peep: float
) -> None:
    # (VT/C)/(exp(Te/RC)-1): Marini & Crooke 1993 Am Rev Respir Dis 147:14 (from memory).
    ours = mechanics.auto_peep_fixed_volume_cmh2o(Lung(c, r), vt, te)
    assert ours == pytest.approx(auto_peep, rel=FORMULA)


def test_auto_peep_pressure_cycled() -> None:
    # (PIP - RQ) exp(-Te/RC), PEEP 0; the breath then starts from that pressure.
    lung = Lung(4.9, 50.0)
    ours = mechanics.auto_peep_pressure_cycled_cmh2o(lung, 60.0, 12.0, 0.5)
    assert ours == pytest.approx(1.169, rel=FORMULA)
    breath = Inflation(60.0, 12.0, peep_cmh2o=ours)
    ti = _ti(lung, breath)
    assert mechanics.pressures_cmh2o(lung, breath, ti)[1] == pytest.approx(9.000, rel=FORMULA)
    assert _vt(lung, breath) == pytest.approx(38.37, rel=FORMULA)
    assert ti == pytest.approx(0.6395, rel=FORMULA)
    assert timing.respiratory_rate_per_min(ti, 0.5) == pytest.approx(52.65, rel=FORMULA)


def test_mean_pressure_of_simple_shapes() -> None:
    # Geometry: square wave and linear ramp, PIP 12, PEEP 2, Ti 0.6, Te 2.0.
    square = mechanics.mean_airway_pressure_cmh2o(0.6, 2.0, 12.0, 2.0, step_cmh2o=10.0)
    assert square == pytest.approx(4.308, rel=FORMULA)
    ramp = mechanics.mean_airway_pressure_cmh2o(0.6, 2.0, 12.0, 2.0)
    assert ramp == pytest.approx(3.154, rel=FORMULA)


def _integrate(lung: Lung, breath: Inflation) -> tuple[float, float]:
    """Ti and lung volume by an adaptive integrator with event location."""
    c, r = lung.compliance_ml_per_cmh2o, lung.resistance_cmh2o_s_per_l / 1000.0
    cc, g = breath.circuit_ml_per_cmh2o, breath.leak_ml_per_s_per_cmh2o
    q, peep = breath.flow_ml_per_s, breath.peep_cmh2o

    def airway(state: np.ndarray) -> float:
        if cc:
            return float(state[1])
        return float((q + state[0] / r) / (g + 1.0 / r))

    def derivative(_: float, state: np.ndarray) -> list[float]:
        into_lung = (airway(state) - state[0]) / r
        into_circuit = (q - g * state[1] - into_lung) / cc if cc else 0.0
        return [into_lung / c, into_circuit]

    def target(_: float, state: np.ndarray) -> float:
        return airway(state) - breath.pip_cmh2o

    target.terminal = True  # type: ignore[attr-defined]  # SciPy reads it off the function
    solved = solve_ivp(
        derivative, (0.0, 20.0), [peep, peep], "Radau", events=target, rtol=1e-9, atol=1e-11
    )
    assert solved.status == 1
    return float(solved.t[-1]), c * (float(solved.y[0, -1]) - peep)


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("cc", [0.0, 0.1, 0.3])
@pytest.mark.parametrize("leak_share", [0.0, 0.3, 0.7, 0.95])
@pytest.mark.parametrize("r_factor", [1.0, 5.0])
def test_against_an_independent_integrator(
    case: str, cc: float, leak_share: float, r_factor: float
) -> None:
    # SciPy solve_ivp (Radau, 1e-9) on the two mass balances; the leak as a share of Q/PIP.
    lung, breath = CASES[case]
    lung = replace(lung, resistance_cmh2o_s_per_l=r_factor * lung.resistance_cmh2o_s_per_l)
    breath = replace(
        breath,
        circuit_ml_per_cmh2o=cc,
        leak_ml_per_s_per_cmh2o=leak_share * breath.flow_ml_per_s / breath.pip_cmh2o,
    )
    ti, volume = _integrate(lung, breath)
    assert _ti(lung, breath) == pytest.approx(ti, rel=1e-6)
    assert _vt(lung, breath) == pytest.approx(volume, rel=1e-6)


def test_a_partly_occluded_chest() -> None:
    # Common practice, no source: Ti goes from 0.6 to 0.4 s, the rate rises, less is delivered,
    # and pressure never shows it. A chest of two thirds the compliance does that.
    well = Lung(0.9, 40.0)
    breath = Inflation(14.0, 9.893, circuit_ml_per_cmh2o=0.0)
    ti = _ti(well, breath)
    assert ti == pytest.approx(0.6, rel=ROUNDED)
    pressed = replace(well, compliance_ml_per_cmh2o=well.compliance_ml_per_cmh2o * 2.0 / 3.0)
    short = _ti(pressed, breath)
    assert short == pytest.approx(0.4, rel=ROUNDED)
    rate = timing.respiratory_rate_per_min
    assert rate(short, TE_S) > rate(ti, TE_S)
    assert breath.flow_ml_per_s * short < 0.7 * breath.flow_ml_per_s * ti
    assert _vt(pressed, breath) < 0.7 * _vt(well, breath)
    along = [mechanics.pressures_cmh2o(pressed, breath, short * k / 50)[0] for k in range(51)]
    assert max(along) <= breath.pip_cmh2o * (1.0 + 1e-12)


@pytest.mark.parametrize("target", [9.0, 10.0])
def test_a_usual_target_for_a_very_small_cat(target: float) -> None:
    # Common practice, no source: a very small cat is set to a target of 9 to 10 cmH2O. With
    # Stahl's compliance (1.56 M^1.04, from memory) at 0.6 kg that is 12 to 17 mL/kg, within the
    # 10 to 20 mL/kg recommended for dogs (Donati 2019 J Vet Sci 20(3):e21).
    lung = Lung(1.56 * 0.6**1.04, 35.0)
    per_kg = _vt(lung, Inflation(14.0, target)) / 0.6
    assert 10.0 < per_kg < 20.0
