"""Bad arguments are refused by name; properties that hold for every lung."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.physiology import allometry, apnoea, gas_exchange, mechanics, oxygen, timing
from service.physiology.mechanics import Inflation, Lung

LUNG = Lung(0.45, 60.0)
BREATH = Inflation(10.0, 12.0, 2.0)

CALLS: list[tuple[str, Callable[[float], object]]] = [
    ("ti_s", lambda bad: timing.respiratory_rate_per_min(bad, 2.0)),
    ("te_s", lambda bad: timing.respiratory_rate_per_min(0.6, bad)),
    ("te_s", lambda bad: timing.expiratory_ratio(0.6, bad)),
    ("ti_s", lambda bad: timing.duty(bad, 2.0)),
    ("rate_per_min", lambda bad: timing.times_s(bad, 2.0)),
    ("ratio", lambda bad: timing.times_s(20.0, bad)),
    ("rate_per_min", lambda bad: timing.expiratory_time_s(bad, 0.6)),
    ("compliance_ml_per_cmh2o", lambda bad: Lung(bad, 60.0)),
    ("resistance_cmh2o_s_per_l", lambda bad: Lung(0.45, bad)),
    ("flow_ml_per_s", lambda bad: Inflation(bad, 12.0)),
    ("pip_cmh2o", lambda bad: Inflation(10.0, bad)),
    ("peep_cmh2o", lambda bad: Inflation(10.0, 12.0, bad)),
    ("circuit_ml_per_cmh2o", lambda bad: Inflation(10.0, 12.0, 2.0, bad)),
    ("leak_ml_per_s_per_cmh2o", lambda bad: Inflation(10.0, 12.0, 2.0, 0.1, bad)),
    ("flow_ml_per_s", lambda bad: mechanics.resistive_step_cmh2o(bad, 60.0)),
    ("t_s", lambda bad: mechanics.pressures_cmh2o(LUNG, BREATH, bad)),
    ("flow_ml_per_s", lambda bad: mechanics.tidal_volume_ml(bad, 0.4, 0.1, 12.0, 2.0)),
    ("ti_s", lambda bad: mechanics.tidal_volume_ml(10.0, bad, 0.1, 12.0, 2.0)),
    ("circuit_ml_per_cmh2o", lambda bad: mechanics.tidal_volume_ml(10.0, 0.4, bad, 12.0, 2.0)),
    ("time_constant_s", lambda bad: mechanics.share_left(1.0, bad)),
    ("tidal_volume_ml", lambda bad: mechanics.auto_peep_fixed_volume_cmh2o(LUNG, bad, 1.0)),
    ("te_s", lambda bad: mechanics.auto_peep_pressure_cycled_cmh2o(LUNG, 10.0, 12.0, bad)),
    ("te_s", lambda bad: mechanics.mean_airway_pressure_cmh2o(0.4, bad, 12.0)),
    ("step_cmh2o", lambda bad: mechanics.mean_airway_pressure_cmh2o(0.4, 2.0, 12.0, 2.0, bad)),
    ("mass_kg", allometry.mammal),
    ("mass_kg", allometry.bird),
    ("mass_kg", allometry.reptile_oxygen_uptake_ml_per_min),
    ("line", lambda bad: allometry.plausible(1.0, bad)),
    ("mass_kg", allometry.bird_heart_rate_per_min),
    ("mass_kg", lambda bad: allometry.plausible_range("rate_per_min", "mammal", bad)),
    ("mass_kg", lambda bad: allometry.expected("rate_per_min", "amphibian", bad)),
    ("apnoea_s", lambda bad: apnoea.co2_rise_studied_mmhg("awake man", bad)),
    ("apnoea_s", lambda bad: apnoea.co2_rise_small_mammal_mmhg(0.3, bad)),
    ("mass_kg", lambda bad: apnoea.co2_rise_small_mammal_mmhg(bad, 10.0)),
    ("mass_kg", lambda bad: apnoea.store_time_s(bad, 660.0, 60.0)),
    ("from_mmhg", lambda bad: apnoea.store_time_s(0.3, bad, 60.0)),
    ("to_mmhg", lambda bad: apnoea.store_time_s(0.3, 660.0, bad)),
    ("dry_mmhg", lambda bad: apnoea.store_time_s(0.3, 660.0, 60.0, bad)),
    ("mass_kg", lambda bad: apnoea.saturation_holds_s(bad, 1.0)),
    ("inspired_share", lambda bad: apnoea.saturation_holds_s(0.3, bad)),
    ("p50_mmhg", lambda bad: apnoea.saturation_holds_s(0.3, 1.0, p50_mmhg=bad)),
    ("mmhg", gas_exchange.kpa_from_mmhg),
    ("kpa", gas_exchange.mmhg_from_kpa),
    ("percent", gas_exchange.mmhg_from_dry_percent),
    ("dry_mmhg", lambda bad: gas_exchange.mmhg_from_dry_percent(5.0, bad)),
    ("ratio_per_breath", gas_exchange.breaths_to_halve),
    ("minute_volume_ml_per_min", lambda bad: gas_exchange.undiluted_share(bad, 50.0)),
    ("draw_ml_per_min", lambda bad: gas_exchange.undiluted_share(50.0, bad)),
    ("mass_kg", lambda bad: oxygen.p50_of("hedgehog", bad)),
    ("temperature_c", lambda bad: oxygen.p50_of("cat", temperature_c=bad)),
    ("dead_space_ml", lambda bad: gas_exchange.alveolar_ventilation_ml_per_min(10.0, bad, 20.0)),
    ("co2_output_ml_per_min", lambda bad: gas_exchange.arterial_co2_mmhg(bad, 4300.0)),
    ("alveolar_ml_per_min", lambda bad: gas_exchange.arterial_co2_mmhg(200.0, bad)),
    ("inspired_mmhg", lambda bad: gas_exchange.arterial_co2_mmhg(200.0, 4300.0, bad)),
    ("target_mmhg", lambda bad: gas_exchange.ventilation_for_co2_ml_per_min(200.0, bad)),
    ("arterial_mmhg", lambda bad: gas_exchange.dead_space_share(bad, 30.0)),
    ("residual_ml", lambda bad: gas_exchange.washout_ratio(bad, 5.0, 1.0)),
    ("rise_10_90_s", lambda bad: gas_exchange.analyser_peak_share(0.3, bad)),
    ("po2_mmhg", oxygen.severinghaus_saturation),
    ("saturation", oxygen.severinghaus_po2_mmhg),
    ("p50_mmhg", lambda bad: oxygen.saturation(60.0, bad)),
    ("p50_mmhg", lambda bad: oxygen.po2_for_saturation_mmhg(0.9, bad)),
    ("po2_mmhg", oxygen.dog_saturation_39c),
    ("mass_kg", oxygen.p50_by_mass_mmhg),
    ("pco2_mmhg", lambda bad: oxygen.shifted_p50_mmhg(oxygen.BLOOD["dog"], pco2_mmhg=bad)),
    ("inspired_share", lambda bad: oxygen.alveolar_po2_mmhg(bad, 40.0)),
    ("quotient", lambda bad: oxygen.alveolar_po2_short_mmhg(0.21, 40.0, quotient=bad)),
]


@pytest.mark.parametrize("bad", [-1.0, math.nan, math.inf, -math.inf])
@pytest.mark.parametrize(("name", "call"), CALLS)
def test_bad_arguments_are_named(name: str, call: Callable[[float], object], bad: float) -> None:
    with pytest.raises(ValueError, match=rf"\b{name}\b"):
        call(bad)


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_volume_needs_finite_pressures(bad: float) -> None:
    with pytest.raises(ValueError, match="pip_cmh2o"):
        mechanics.tidal_volume_ml(10.0, 0.4, 0.1, bad, 2.0)
    with pytest.raises(ValueError, match="baseline_cmh2o"):
        mechanics.tidal_volume_ml(10.0, 0.4, 0.1, 12.0, bad)


def test_pressures_in_the_wrong_order() -> None:
    with pytest.raises(ValueError, match="pip_cmh2o"):
        Inflation(10.0, 2.0, 2.0)
    with pytest.raises(ValueError, match="baseline_cmh2o"):
        mechanics.tidal_volume_ml(10.0, 0.4, 0.1, 2.0, 12.0)
    with pytest.raises(ValueError, match="pip_cmh2o"):
        mechanics.auto_peep_pressure_cycled_cmh2o(Lung(0.45, 1300.0), 10.0, 12.0, 1.0)


def test_values_that_cannot_be() -> None:
    with pytest.raises(ValueError, match="ti_s"):
        timing.expiratory_time_s(60.0, 1.0)
    with pytest.raises(ValueError, match="saturation"):
        oxygen.severinghaus_po2_mmhg(1.0)
    with pytest.raises(ValueError, match="inspired_share"):
        oxygen.alveolar_po2_mmhg(21.0, 40.0)
    with pytest.raises(ValueError, match="barometric_mmhg"):
        oxygen.alveolar_po2_mmhg(0.21, 40.0, 40.0)
    with pytest.raises(ValueError, match="mixed_expired_mmhg"):
        gas_exchange.dead_space_share(30.0, 40.0)
    with pytest.raises(ValueError, match="percent"):
        gas_exchange.mmhg_from_dry_percent(101.0)
    with pytest.raises(ValueError, match="ratio_per_breath"):
        gas_exchange.breaths_to_halve(1.0)
    with pytest.raises(ValueError, match="target_mmhg"):
        gas_exchange.ventilation_for_co2_ml_per_min(200.0, 5.0, 5.0)


def test_edges() -> None:
    assert mechanics.inflation_time_s(Lung(0.45, 1200.0), BREATH) == 0.0  # the step does it
    assert mechanics.tidal_volume_ml(10.0, 0.1, 0.1, 12.0, 2.0) == 0.0  # occluded: all in Cc
    assert mechanics.auto_peep_fixed_volume_cmh2o(Lung(0.4, 50.0), 4.0, 100.0) == 0.0
    assert gas_exchange.alveolar_ventilation_ml_per_min(2.0, 3.0, 60.0) == 0.0
    assert oxygen.severinghaus_saturation(0.0) == 0.0
    assert oxygen.severinghaus_po2_mmhg(0.0) == 0.0
    assert oxygen.severinghaus_saturation(1e200) == 1.0


lungs = st.builds(Lung, st.floats(0.02, 50.0), st.floats(1.0, 1000.0))


@settings(max_examples=80, deadline=None)
@given(lungs, st.floats(1.0, 100.0), st.floats(6.0, 20.0), st.floats(0.0, 2.0))
def test_mass_balance_without_a_leak(lung: Lung, flow: float, rise: float, cc: float) -> None:
    # What entered is in the lung or in the circuit, whatever the numbers.
    breath = Inflation(flow, 3.0 + rise, 3.0, cc)
    ti = mechanics.inflation_time_s(lung, breath)
    step = mechanics.resistive_step_cmh2o(flow, lung.resistance_cmh2o_s_per_l)
    if cc == 0.0 and step >= rise:
        assert ti == 0.0
        return
    by_mass = mechanics.tidal_volume_ml(flow, ti, cc, breath.pip_cmh2o, breath.peep_cmh2o)
    in_lung = mechanics.inflation_volume_ml(lung, breath)
    assert in_lung == pytest.approx(by_mass, rel=1e-6, abs=1e-6 * flow * ti)


@settings(max_examples=80, deadline=None)
@given(lungs, st.floats(1.0, 100.0), st.floats(6.0, 20.0), st.floats(0.05, 0.9))
def test_a_leak_only_lengthens_the_inflation(
    lung: Lung, flow: float, pip: float, share: float
) -> None:
    tight = Inflation(flow, pip, circuit_ml_per_cmh2o=0.2)
    leaky = Inflation(flow, pip, 0.0, 0.2, share * flow / pip)
    assert mechanics.inflation_time_s(lung, leaky) > mechanics.inflation_time_s(lung, tight)


@settings(max_examples=80, deadline=None)
@given(st.floats(0.001, 0.999), st.floats(15.0, 60.0))
def test_saturation_and_its_inverse(share: float, p50: float) -> None:
    po2 = oxygen.po2_for_saturation_mmhg(share, p50)
    assert oxygen.saturation(po2, p50) == pytest.approx(share, rel=1e-9)
