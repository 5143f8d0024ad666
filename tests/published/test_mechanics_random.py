"""Closed forms of breathing against an independent integrator, over random lungs and circuits.

SciPy's solve_ivp on the mass balances of the single-compartment model (Bates 2009, Lung
Mechanics): whole breaths, one after another, until lung volume repeats itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp, trapezoid

from service.physiology import compartment, mechanics
from service.physiology.mechanics import Inflation, Lung

CASES = 200
TIGHT = 1e-5


@dataclass(frozen=True)
class Case:
    lung: Lung
    breath: Inflation
    te_s: float


def _cases(seed: int, *, leak: bool) -> list[Case]:
    """Lungs from 0.02 to 10 kg on Stahl's lines, spread by a factor of two either way."""
    rng = np.random.default_rng(seed)
    made = []
    for _ in range(CASES):
        mass = float(np.exp(rng.uniform(np.log(0.02), np.log(10.0))))
        c = 1.56 * mass**1.04 * float(np.exp(rng.uniform(-0.7, 0.7)))
        # An endotracheal tube adds to the airway: up to five times Stahl's resistance.
        r = 24.4 * mass**-0.70 * float(rng.uniform(1.0, 5.0))
        peep, rise = float(rng.uniform(0.0, 6.0)), float(rng.uniform(5.0, 15.0))
        flow = c * rise / float(rng.uniform(0.3, 1.5))
        pip = peep + max(rise, 1.3 * flow * r / 1000.0)
        cc = float(rng.choice([0.0, rng.uniform(0.02, 1.0) * c]))
        g = float(rng.uniform(0.0, 0.9)) * flow / pip if leak else 0.0
        te = float(rng.uniform(1.0, 8.0)) * r * c / 1000.0
        made.append(Case(Lung(c, r), Inflation(flow, pip, peep, cc, g), te))
    return made


def _inflate(case: Case, alveolar: float) -> Any:
    """The inflation from a lung at `alveolar`, airway at the same pressure, until PIP."""
    c, r = case.lung.compliance_ml_per_cmh2o, case.lung.resistance_cmh2o_s_per_l / 1000.0
    q, cc, g = (
        case.breath.flow_ml_per_s,
        case.breath.circuit_ml_per_cmh2o,
        case.breath.leak_ml_per_s_per_cmh2o,
    )

    def airway(state: np.ndarray) -> Any:
        return state[1] if cc else (q + state[0] / r) / (g + 1.0 / r)

    def derivative(_: float, state: np.ndarray) -> list[float]:
        into_lung = (airway(state) - state[0]) / r
        return [into_lung / c, (q - g * state[1] - into_lung) / cc if cc else 0.0]

    def target(_: float, state: np.ndarray) -> float:
        return float(airway(state) - case.breath.pip_cmh2o)

    target.terminal = True  # type: ignore[attr-defined]  # SciPy reads it off the function
    solved = solve_ivp(
        derivative,
        (0.0, 1e3),
        [alveolar, alveolar],
        "LSODA",
        events=target,
        rtol=1e-9,
        atol=1e-10,
    )
    assert solved.status == 1
    return solved


def _exhale(lung: Lung, alveolar: float, peep: float, te_s: float) -> Any:
    """Free exhalation through R against `peep`; the airway falls to it at once."""
    per_s = 1.0 / lung.time_constant_s
    return solve_ivp(
        lambda _, p: (peep - p) * per_s, (0.0, te_s), [alveolar], "LSODA", rtol=1e-10, atol=1e-12
    )


@pytest.mark.parametrize("leak", [False, True])
def test_inflations(leak: bool) -> None:
    for case in _cases(1 + leak, leak=leak):
        solved = _inflate(case, case.breath.peep_cmh2o)
        ti = mechanics.inflation_time_s(case.lung, case.breath)
        assert ti == pytest.approx(float(solved.t[-1]), rel=TIGHT, abs=1e-9)
        volume = case.lung.compliance_ml_per_cmh2o * float(solved.y[0, -1] - case.breath.peep_cmh2o)
        assert mechanics.inflation_volume_ml(case.lung, case.breath) == pytest.approx(
            volume, rel=TIGHT, abs=1e-8
        )
        middle = len(solved.t) // 2
        now = mechanics.pressures_cmh2o(case.lung, case.breath, float(solved.t[middle]))
        assert now[1] == pytest.approx(float(solved.y[0, middle]), rel=TIGHT)
        if case.breath.circuit_ml_per_cmh2o:
            assert now[0] == pytest.approx(float(solved.y[1, middle]), rel=TIGHT)


def test_exhalations() -> None:
    for case in _cases(3, leak=False):
        solved = _exhale(case.lung, case.breath.pip_cmh2o, 0.0, case.te_s)
        left = mechanics.share_left(case.te_s, case.lung.time_constant_s)
        assert left == pytest.approx(
            float(solved.y[0, -1]) / case.breath.pip_cmh2o, rel=TIGHT, abs=1e-9
        )


def test_auto_peep_of_pressure_cycled_breaths_is_reached_in_one() -> None:
    # Without circuit, leak and PEEP: whatever the lung starts from, it ends an inflation at PIP-RQ.
    for case in _cases(4, leak=False):
        plain = replace(case, breath=replace(case.breath, peep_cmh2o=0.0, circuit_ml_per_cmh2o=0.0))
        flow, pip = plain.breath.flow_ml_per_s, plain.breath.pip_cmh2o
        trapped = mechanics.auto_peep_pressure_cycled_cmh2o(plain.lung, flow, pip, case.te_s)
        alveolar = 0.0
        for _ in range(2):
            top = float(_inflate(plain, alveolar).y[0, -1])
            alveolar = float(_exhale(plain.lung, top, 0.0, case.te_s).y[0, -1])
            assert alveolar == pytest.approx(trapped, rel=1e-4, abs=1e-7)
        # The breath that starts from there: less time and volume, by the closed form.
        steady = Inflation(flow, pip, trapped)
        solved = _inflate(plain, trapped)
        assert mechanics.inflation_time_s(plain.lung, steady) == pytest.approx(
            float(solved.t[-1]), rel=TIGHT, abs=1e-9
        )


def test_auto_peep_at_fixed_volume_is_where_breaths_settle() -> None:
    # Marini & Crooke 1993 Am Rev Respir Dis 147:14 (from memory): volume in, exhale, again.
    for case in _cases(5, leak=False):
        c = case.lung.compliance_ml_per_cmh2o
        volume, peep = 0.8 * c * case.breath.pip_cmh2o, case.breath.peep_cmh2o
        settled = mechanics.auto_peep_fixed_volume_cmh2o(case.lung, volume, case.te_s)
        alveolar = peep
        breaths = math.ceil(14.0 * case.lung.time_constant_s / case.te_s) + 1
        for _ in range(breaths):
            alveolar = float(_exhale(case.lung, alveolar + volume / c, peep, case.te_s).y[0, -1])
        assert alveolar - peep == pytest.approx(settled, rel=1e-3, abs=1e-6)


def test_mean_pressure_by_quadrature() -> None:
    # scipy.integrate.trapezoid over the airway pressure of a whole breath, without circuit.
    for case in _cases(6, leak=False):
        breath = replace(case.breath, circuit_ml_per_cmh2o=0.0)
        ti = mechanics.inflation_time_s(case.lung, breath)
        times = np.linspace(0.0, ti, 201)
        up = [mechanics.pressures_cmh2o(case.lung, breath, float(t))[0] for t in times]
        area = float(trapezoid(up, times)) + breath.peep_cmh2o * case.te_s
        step = mechanics.resistive_step_cmh2o(
            breath.flow_ml_per_s, case.lung.resistance_cmh2o_s_per_l
        )
        ours = mechanics.mean_airway_pressure_cmh2o(
            ti, case.te_s, breath.pip_cmh2o, breath.peep_cmh2o, step
        )
        assert ours == pytest.approx(area / (ti + case.te_s), rel=1e-6)


def test_slope_and_step_of_the_inflation_give_the_lung_back() -> None:
    for case in _cases(7, leak=False):
        c, r = case.lung.compliance_ml_per_cmh2o, case.lung.resistance_cmh2o_s_per_l
        q, cc = case.breath.flow_ml_per_s, case.breath.circuit_ml_per_cmh2o
        endless = replace(case.breath, pip_cmh2o=1e6)
        settled = 40.0 * r * c * cc / (c + cc) / 1000.0
        low, high = (
            mechanics.pressures_cmh2o(case.lung, endless, t)[0] - case.breath.peep_cmh2o
            for t in (settled, settled + 1.0)
        )
        slope = high - low
        found = compartment.compartment_of(compartment.Ramp(q, slope, low - slope * settled, cc))
        assert found.compliance_ml_per_cmh2o.value == pytest.approx(c, rel=1e-6)
        assert found.resistance_cmh2o_s_per_l.value == pytest.approx(r, rel=1e-4)
