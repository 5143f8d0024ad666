"""The signs of each fault, as they follow from the single-compartment model (Bates 2009).

Pressure-cycled breaths at constant flow: which way inspiratory time, volume, rate, slope and step
go when the lung stiffens, the tube narrows or closes, or gas leaks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.physiology import compartment, mechanics, timing
from service.physiology.mechanics import Inflation, Lung


@dataclass(frozen=True)
class Case:
    lung: Lung
    breath: Inflation
    te_s: float


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
