"""Carbon dioxide against the alveolar ventilation equation and its published examples."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import constants, signal

from service.physiology import allometry, gas_exchange

FORMULA = 1e-3


def test_alveolar_ventilation_equation() -> None:
    # Textbook: PaCO2 = 0.863 VCO2/VA; worked values computed from the formula.
    assert gas_exchange.arterial_co2_mmhg(200.0, 4300.0) == pytest.approx(40.14, rel=FORMULA)
    assert gas_exchange.arterial_co2_mmhg(200.0, 2150.0) == pytest.approx(80.28, rel=FORMULA)
    assert gas_exchange.ventilation_for_co2_ml_per_min(200.0, 40.0) == pytest.approx(
        4315.0, rel=FORMULA
    )
    assert gas_exchange.arterial_co2_mmhg(200.0, 4300.0, 5.0) == pytest.approx(45.14, rel=FORMULA)


def test_its_constant() -> None:
    # 760 mmHg x 310.15/273.15 per L and mL.
    assert pytest.approx(760.0 * 310.15 / 273.15 / 1000.0, rel=FORMULA) == gas_exchange.CO2_FACTOR


@pytest.mark.parametrize(
    ("kg", "co2"), [(0.03, 39.78), (0.3, 32.97), (1.0, 30.36), (3.0, 28.37), (10.0, 26.50)]
)
def test_allometric_self_consistency(kg: float, co2: float) -> None:
    # Stahl 1967 lines for VO2, f, VT, VD with RQ 0.8 (awake rest), computed.
    animal = allometry.mammal(kg)
    ventilation = gas_exchange.alveolar_ventilation_ml_per_min(
        animal.tidal_volume_ml, animal.dead_space_ml, animal.rate_per_min
    )
    output = 0.8 * animal.oxygen_uptake_ml_per_min
    assert gas_exchange.arterial_co2_mmhg(output, ventilation) == pytest.approx(co2, rel=FORMULA)


def _co2(vt: float, vd: float, rate: float, output: float) -> float:
    ventilation = gas_exchange.alveolar_ventilation_ml_per_min(vt, vd, rate)
    return gas_exchange.arterial_co2_mmhg(output, ventilation)


def test_halving_the_volume_is_worse_than_halving_the_rate() -> None:
    # Textbook dead-space arithmetic, computed: VT 10 -> 5 with VD 3 is x 7/2; half the rate x 2.
    output = gas_exchange.alveolar_ventilation_ml_per_min(10.0, 3.0, 20.0) * 40.0 / 863.0
    assert _co2(10.0, 3.0, 20.0, output) == pytest.approx(40.0, rel=FORMULA)
    assert _co2(5.0, 3.0, 20.0, output) == pytest.approx(140.0, rel=FORMULA)
    assert _co2(10.0, 3.0, 10.0, output) == pytest.approx(80.0, rel=FORMULA)


def test_apparatus_dead_space() -> None:
    # Computed: 0.3 kg, VT 3, VD 1, 60/min; half a millilitre more takes VA from 120 to 90 mL/min.
    assert gas_exchange.alveolar_ventilation_ml_per_min(3.0, 1.0, 60.0) == pytest.approx(120.0)
    assert gas_exchange.alveolar_ventilation_ml_per_min(3.0, 1.5, 60.0) == pytest.approx(90.0)
    output = 120.0 * 40.0 / 863.0
    assert _co2(3.0, 1.5, 60.0, output) == pytest.approx(53.33, rel=FORMULA)


@pytest.mark.parametrize(
    ("arterial", "expired", "share"),
    [(40.0, 27.0, 0.3250), (40.0, 30.0, 0.2500), (45.0, 35.0, 0.2222), (60.0, 24.0, 0.6000)],
)
def test_bohr(arterial: float, expired: float, share: float) -> None:
    # Bohr: VD/VT = (PaCO2 - PECO2)/PaCO2. The first is a published example, the rest computed.
    assert gas_exchange.dead_space_share(arterial, expired) == pytest.approx(share, rel=FORMULA)


def test_bohr_volume() -> None:
    # The published example goes on: x 500 mL = 162.5 mL.
    share = gas_exchange.dead_space_share(40.0, 27.0)
    assert 500.0 * share == pytest.approx(162.5, rel=FORMULA)


@pytest.mark.parametrize(
    ("kg", "ratio"), [(0.03, 0.8133), (0.3, 0.8230), (1.0, 0.8302), (3.0, 0.8375), (10.0, 0.8461)]
)
def test_washout_after_circulatory_arrest(kg: float, ratio: float) -> None:
    # Perfect mixing, FRC/(FRC + VT - VD), on Stahl's lines; computed.
    animal = allometry.mammal(kg)
    ours = gas_exchange.washout_ratio(
        animal.functional_residual_capacity_ml, animal.tidal_volume_ml, animal.dead_space_ml
    )
    assert ours == pytest.approx(ratio, rel=FORMULA)


@pytest.mark.parametrize(
    ("rise_s", "plateau_s", "share"),
    [(0.240, 0.30, 0.9358), (0.240, 0.18, 0.8075), (0.400, 0.30, 0.8075)],
)
def test_analyser_lag(rise_s: float, plateau_s: float, share: float) -> None:
    # First-order response, tau = T10-90 / 2.197: 1 - exp(-t/tau); computed.
    assert gas_exchange.analyser_peak_share(plateau_s, rise_s) == pytest.approx(share, rel=FORMULA)


@pytest.mark.parametrize(
    ("kg", "breaths", "seconds"),
    [
        (0.03, 3.353, 1.511),
        (0.3, 3.558, 2.918),
        (1.0, 3.724, 4.177),
        (3.0, 3.909, 5.833),
        (10.0, 4.147, 8.463),
    ],
)
def test_how_fast_a_washout_halves(kg: float, breaths: float, seconds: float) -> None:
    # Perfect mixing on Stahl's lines, and time at his rate; computed.
    animal = allometry.mammal(kg)
    ratio = gas_exchange.washout_ratio(
        animal.functional_residual_capacity_ml, animal.tidal_volume_ml, animal.dead_space_ml
    )
    ours = gas_exchange.breaths_to_halve(ratio)
    assert ours == pytest.approx(breaths, rel=FORMULA)
    assert ours * 60.0 / animal.rate_per_min == pytest.approx(seconds, rel=FORMULA)


@pytest.mark.parametrize(("kg", "draw", "share"), [(0.03, 50.0, 0.4586), (0.3, 200.0, 0.7235)])
def test_sidestream_draw(kg: float, draw: float, share: float) -> None:
    # Mass balance on Stahl's minute volume, an upper bound (no published figure); computed.
    ventilation = allometry.mammal(kg).minute_volume_ml_per_min
    ours = gas_exchange.undiluted_share(ventilation, draw)
    assert ours == pytest.approx(share, rel=FORMULA)
    assert gas_exchange.undiluted_share(200.0, 50.0) == 1.0
    if kg == 0.03:
        assert 40.0 * ours == pytest.approx(18.34, rel=FORMULA)


def test_kilopascal() -> None:
    # 35 to 45 mmHg is 4.666 to 6.000 kPa; 1 kPa is 7.501 mmHg (760 mmHg are 101.325 kPa).
    assert gas_exchange.kpa_from_mmhg(35.0) == pytest.approx(4.666, rel=FORMULA)
    assert gas_exchange.kpa_from_mmhg(45.0) == pytest.approx(6.000, rel=FORMULA)
    assert gas_exchange.mmhg_from_kpa(1.0) == pytest.approx(7.501, rel=FORMULA)
    # SciPy's constants: mmHg and Pa.
    assert gas_exchange.mmhg_from_kpa(5.0) == pytest.approx(5000.0 / constants.mmHg, rel=1e-6)


@pytest.mark.parametrize(("percent", "mmhg"), [(0.2, 1.426), (5.0, 35.65)])
def test_percent_of_dry_gas(percent: float, mmhg: float) -> None:
    # Dry gas in an airway full of water vapour: x (760 - 47); computed.
    assert gas_exchange.mmhg_from_dry_percent(percent) == pytest.approx(mmhg, rel=FORMULA)


@pytest.mark.parametrize(("plateau_s", "rise_s"), [(0.30, 0.240), (0.18, 0.240), (0.30, 0.400)])
def test_analyser_is_scipys_first_order_system(plateau_s: float, rise_s: float) -> None:
    # scipy.signal.step of 1/(tau s + 1); and 10 to 90 % of that step takes the rise time.
    tau = rise_s / np.log(9.0)
    times = np.linspace(0.0, 2.0, 4001)
    _, response = signal.step(([1.0], [tau, 1.0]), T=times)
    ours = gas_exchange.analyser_peak_share(plateau_s, rise_s)
    assert ours == pytest.approx(float(np.interp(plateau_s, times, response)), rel=1e-5)
    rise = np.interp(0.9, response, times) - np.interp(0.1, response, times)
    assert float(rise) == pytest.approx(rise_s, rel=1e-3)
