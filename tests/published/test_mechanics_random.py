"""Closed forms of breathing against an independent integrator, over random lungs and circuits.

SciPy's solve_ivp on the mass balances of the single-compartment model (Bates 2009, Lung
Mechanics): whole breaths, one after another, until lung volume repeats itself. The signs of each
fault are those that follow from that model.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp, trapezoid

from service.physiology import compartment, mechanics, timing
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

    target.terminal = True  # type: ignore[attr-defined]
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


# -- the signs of each fault --------------------------------------------------------------------

lungs = st.builds(Lung, st.floats(0.03, 20.0), st.floats(5.0, 300.0))


@st.composite
def ventilated(draw: st.DrawFn, *, circuit: bool = True) -> Case:
    """A lung that takes 0.2 to 2 s to fill, its step at most a third of the rise."""
    lung = draw(lungs)
    rise, peep = draw(st.floats(5.0, 15.0)), draw(st.floats(0.0, 5.0))
    flow = lung.compliance_ml_per_cmh2o * rise / draw(st.floats(0.2, 2.0))
    flow = min(flow, rise / 3.0 / (lung.resistance_cmh2o_s_per_l / 1000.0))
    cc = draw(st.floats(0.01, 0.5)) * lung.compliance_ml_per_cmh2o if circuit else 0.0
    return Case(lung, Inflation(flow, peep + rise, peep, cc), draw(st.floats(0.5, 4.0)))


@dataclass(frozen=True)
class Signs:
    ti: float
    volume: float
    rate: float
    slope: float
    step: float


def _signs(case: Case) -> Signs:
    ti = mechanics.inflation_time_s(case.lung, case.breath)
    slope, step = compartment.ramp_of(
        case.lung.compliance_ml_per_cmh2o,
        case.lung.resistance_cmh2o_s_per_l,
        case.breath.flow_ml_per_s,
        case.breath.circuit_ml_per_cmh2o,
    )
    volume = mechanics.inflation_volume_ml(case.lung, case.breath)
    rate = timing.respiratory_rate_per_min(ti, case.te_s)
    return Signs(ti, volume, rate, slope, step)


def _stiffer(case: Case, share: float) -> Case:
    compliance = share * case.lung.compliance_ml_per_cmh2o
    return replace(case, lung=replace(case.lung, compliance_ml_per_cmh2o=compliance))


def _narrower(case: Case, factor: float) -> Case:
    resistance = factor * case.lung.resistance_cmh2o_s_per_l
    return replace(case, lung=replace(case.lung, resistance_cmh2o_s_per_l=resistance))


@settings(max_examples=100)
@given(ventilated(circuit=False), st.floats(0.3, 0.9))
def test_a_stiffer_lung(case: Case, share: float) -> None:
    # Stiffer lung or one bronchus: Ti and volume down in proportion, rate up, slope up, step kept.
    well, ill = _signs(case), _signs(_stiffer(case, share))
    assert ill.ti == pytest.approx(share * well.ti, rel=1e-9)
    assert ill.volume == pytest.approx(share * well.volume, rel=1e-9)
    assert ill.rate > well.rate
    assert ill.slope == pytest.approx(well.slope / share, rel=1e-9)
    assert ill.step == pytest.approx(well.step, rel=1e-9)


@settings(max_examples=100)
@given(ventilated(), st.floats(0.3, 0.9))
def test_a_stiffer_lung_behind_a_circuit(case: Case, share: float) -> None:
    # The circuit hides part of it: the same signs, Ti down by less than volume; the step shrinks.
    well, ill = _signs(case), _signs(_stiffer(case, share))
    assert ill.ti < well.ti
    assert ill.volume < well.volume
    assert ill.ti / well.ti > ill.volume / well.volume
    assert ill.rate > well.rate
    assert ill.slope > well.slope
    assert ill.step < well.step


@settings(max_examples=100)
@given(ventilated(), st.floats(1.2, 2.5))
def test_a_narrower_tube(case: Case, factor: float) -> None:
    # Narrowing or kink: step up, Ti and volume down, rate up, slope kept.
    well, ill = _signs(case), _signs(_narrower(case, factor))
    assert ill.step == pytest.approx(factor * well.step, rel=1e-9)
    assert ill.ti < well.ti
    assert ill.volume < well.volume
    assert ill.rate > well.rate
    assert ill.slope == pytest.approx(well.slope, rel=1e-9)


@settings(max_examples=100)
@given(ventilated())
def test_total_occlusion(case: Case) -> None:
    # Only the circuit fills: Ti -> Cc (PIP - PEEP)/Q, nothing into the lung.
    case = _narrower(case, 1e9)
    rise = case.breath.pip_cmh2o - case.breath.peep_cmh2o
    only_circuit = case.breath.circuit_ml_per_cmh2o * rise / case.breath.flow_ml_per_s
    ill = _signs(case)
    assert ill.ti == pytest.approx(only_circuit, rel=1e-4)
    assert ill.volume == pytest.approx(0.0, abs=1e-4 * case.breath.flow_ml_per_s)


@settings(max_examples=100)
@given(ventilated(), st.floats(0.05, 0.9))
def test_a_leak(case: Case, share: float) -> None:
    # Ti up, rate down; the lung ends at about the same volume, and all too much stays out.
    flow, pip = case.breath.flow_ml_per_s, case.breath.pip_cmh2o
    leaky = replace(case, breath=replace(case.breath, leak_ml_per_s_per_cmh2o=share * flow / pip))
    well_ti = mechanics.inflation_time_s(case.lung, case.breath)
    ill_ti = mechanics.inflation_time_s(leaky.lung, leaky.breath)
    assert ill_ti > well_ti
    assert timing.respiratory_rate_per_min(ill_ti, case.te_s) < timing.respiratory_rate_per_min(
        well_ti, case.te_s
    )
    # A volume told from flow and time alone is an upper bound then.
    by_time = mechanics.tidal_volume_ml(
        flow, ill_ti, case.breath.circuit_ml_per_cmh2o, pip, case.breath.peep_cmh2o
    )
    assert by_time > mechanics.inflation_volume_ml(leaky.lung, leaky.breath)


@settings(max_examples=100)
@given(ventilated(), st.floats(1.0, 50.0))
def test_a_disconnection(case: Case, factor: float) -> None:
    # The whole flow escapes: the target is never reached and pressure stays under Q/G.
    flow, pip = case.breath.flow_ml_per_s, case.breath.pip_cmh2o
    breath = replace(
        case.breath, peep_cmh2o=0.0, leak_ml_per_s_per_cmh2o=factor * (1 + 1e-9) * flow / pip
    )
    assert math.isinf(mechanics.inflation_time_s(case.lung, breath))
    assert mechanics.pressures_cmh2o(case.lung, breath, 1e3)[0] <= pip / factor * (1 + 1e-6)


@settings(max_examples=100)
@given(ventilated(circuit=False), st.floats(1.5, 20.0))
def test_slower_emptying_traps_gas(case: Case, factor: float) -> None:
    # A slow lung or a blocked exhalation: pressure stays up at the end of expiration, volume falls.
    flow, pip = case.breath.flow_ml_per_s, case.breath.pip_cmh2o
    slow = Lung(
        case.lung.compliance_ml_per_cmh2o,
        min(
            factor * case.lung.resistance_cmh2o_s_per_l,
            0.9 * 1000.0 * pip / flow,
        ),
    )
    trapped = [
        mechanics.auto_peep_pressure_cycled_cmh2o(lung, flow, pip, case.te_s)
        for lung in (case.lung, slow)
    ]
    volume = [
        mechanics.auto_peep_fixed_volume_cmh2o(lung, 5.0, case.te_s) for lung in (case.lung, slow)
    ]
    assert volume[1] >= volume[0]
    # The step lowers where the lung starts to empty from, so compare the share that stays.
    starts = [pip - mechanics.resistive_step_cmh2o(flow, lung.resistance_cmh2o_s_per_l)
              for lung in (case.lung, slow)]  # fmt: skip
    assert trapped[1] / starts[1] >= trapped[0] / starts[0]
