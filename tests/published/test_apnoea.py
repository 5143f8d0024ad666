"""Apnoea: the rise of CO2 and the oxygen store against published slopes and worked values."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from service.physiology import allometry, apnoea, oxygen

FORMULA = 1e-3


@pytest.mark.parametrize(
    ("seconds", "rise"), [(0.0, 0.0), (5.0, 3.5), (10.0, 7.0), (20.0, 9.0), (80.0, 15.0)]
)
def test_awake_man(seconds: float, rise: float) -> None:
    # Stock 1988 J Clin Anesth 1:96-103: +7 in the first 10 s, +2 in the next 10 s, then 6 a minute.
    found = apnoea.co2_rise_studied_mmhg("awake man", seconds)
    assert found.low_mmhg == found.high_mmhg == pytest.approx(rise)
    assert not found.plausibility_only


@pytest.mark.parametrize(("minutes", "co2"), [(0, 40.0), (1, 52.0), (2, 55.4), (5, 65.6)])
def test_anaesthetised_man(minutes: int, co2: float) -> None:
    # Eger & Severinghaus 1961 (from memory): +12 in the first minute, then 3.4 a minute; computed.
    found = apnoea.co2_rise_studied_mmhg("anaesthetised man", 60.0 * minutes)
    assert 40.0 + found.low_mmhg == pytest.approx(co2, rel=FORMULA)
    assert found.low_mmhg == found.high_mmhg


def test_horse_and_pony() -> None:
    # Secondary page: horses 5.5 mmHg a minute over 10 min; ponies +11 in the first minute, then a
    # plateau at 14 to 16. Both lie in the interval.
    first = apnoea.co2_rise_studied_mmhg("horse", 60.0)
    assert (first.low_mmhg, first.high_mmhg) == pytest.approx((5.5, 11.0))
    last = apnoea.co2_rise_studied_mmhg("horse", 600.0)
    assert (last.low_mmhg, last.high_mmhg) == pytest.approx((14.0, 55.0))
    second = apnoea.co2_rise_studied_mmhg("horse", 120.0)
    assert (second.low_mmhg, second.high_mmhg) == pytest.approx((11.0, 16.0))
    for minutes in (2, 3, 5, 8):
        found = apnoea.co2_rise_studied_mmhg("horse", 60.0 * minutes)
        for slope_or_plateau in (5.5 * minutes, 14.0, 16.0):
            assert found.low_mmhg - 1e-9 <= slope_or_plateau <= found.high_mmhg + 1e-9
    with pytest.raises(ValueError, match="apnoea_s"):
        apnoea.co2_rise_studied_mmhg("horse", 601.0)


def test_oxygen_uptake_per_mass_against_man() -> None:
    # Stahl 1967 (from memory), computed: at 0.3 kg 3.7 times that of 70 kg.
    assert apnoea.uptake_per_kg_over_man(0.3) == pytest.approx(3.7, abs=0.05)
    assert apnoea.uptake_per_kg_over_man(70.0) == pytest.approx(1.0)


def test_small_mammal_is_an_interval_and_says_so() -> None:
    # No slope of a small mammal is known. At 0.3 kg, 10 s: from 2 (anaesthetised man) to awake man
    # after 37.01 s, 9 + 17.01 x 6/60 = 10.70; computed.
    found = apnoea.co2_rise_small_mammal_mmhg(0.3, 10.0)
    assert (found.low_mmhg, found.high_mmhg) == pytest.approx((2.0, 10.70), rel=FORMULA)
    assert found.plausibility_only
    with pytest.raises(ValueError, match="mass_kg"):
        apnoea.co2_rise_small_mammal_mmhg(71.0, 10.0)


@given(st.floats(0.01, 70.0), st.floats(0.0, 600.0), st.floats(0.0, 60.0))
def test_co2_only_rises_and_man_lies_inside(mass: float, seconds: float, more: float) -> None:
    found = apnoea.co2_rise_small_mammal_mmhg(mass, seconds)
    later = apnoea.co2_rise_small_mammal_mmhg(mass, seconds + more)
    assert later.low_mmhg >= found.low_mmhg
    assert later.high_mmhg >= found.high_mmhg
    for who in ("awake man", "anaesthetised man"):
        man = apnoea.co2_rise_studied_mmhg(who, seconds)
        assert found.low_mmhg <= man.low_mmhg <= found.high_mmhg * (1.0 + 1e-12)
    smaller = apnoea.co2_rise_small_mammal_mmhg(0.8 * mass, seconds)
    assert smaller.high_mmhg >= found.high_mmhg


@pytest.mark.parametrize(
    ("kg", "from_mmhg", "to_mmhg", "seconds"),
    [
        (0.3, 660.0, 60.0, 67.2),
        (3.0, 660.0, 60.0, 157.5),
        (0.3, 100.0, 40.0, 6.72),
        (3.0, 100.0, 40.0, 15.75),
    ],
)
def test_oxygen_store_of_the_lung(
    kg: float, from_mmhg: float, to_mmhg: float, seconds: float
) -> None:
    # FRC and awake VO2 of Stahl 1967 (from memory), dry gas at 760 mmHg; computed.
    found = apnoea.store_time_s(kg, from_mmhg, to_mmhg)
    assert found == pytest.approx(seconds, rel=FORMULA)


def test_store_against_an_integrator() -> None:
    # SciPy solve_ivp: the alveolar share falls by VO2 over FRC until it has fallen from 660 to 60.
    animal = allometry.mammal(1.0)
    per_s = animal.oxygen_uptake_ml_per_min / 60.0 / animal.functional_residual_capacity_ml

    def empty(_: float, po2: list[float]) -> float:
        return po2[0] - 60.0

    empty.terminal = True  # type: ignore[attr-defined]  # SciPy reads it off the function
    solved = solve_ivp(lambda *_: [-per_s * 713.0], (0.0, 1000.0), [660.0], events=empty)
    assert apnoea.store_time_s(1.0, 660.0, 60.0) == pytest.approx(float(solved.t[-1]), rel=1e-9)


def test_on_oxygen_saturation_is_a_late_sign_and_on_air_it_is_not() -> None:
    # Worked: PAO2 673.0 on oxygen and 101.8 on air (full alveolar gas equation, PaCO2 40), and the
    # PO2 of S 0.90 at the P50 of 0.3 kg by size, 37.00: 58.66 x 37.00/26.86 = 80.81 mmHg.
    on_oxygen = apnoea.saturation_holds_s(0.3, 1.0)
    on_air = apnoea.saturation_holds_s(0.3, 0.21)
    assert on_oxygen == pytest.approx(67.19 * (673.0 - 80.81) / 600.0, rel=FORMULA)
    assert on_air == pytest.approx(67.19 * (101.8 - 80.81) / 600.0, rel=5e-3)
    assert on_oxygen > 60.0
    assert on_air < 3.0
    cat = oxygen.BLOOD["cat"].p50_mmhg
    # A cat of 3 kg: S 0.90 at 74.47 mmHg, so 157.5 x (673.0 - 74.47)/600.
    assert apnoea.saturation_holds_s(3.0, 1.0, p50_mmhg=cat) == pytest.approx(157.1, rel=FORMULA)


@given(st.floats(0.01, 70.0), st.floats(0.21, 0.9), st.floats(0.5, 0.94))
def test_more_oxygen_and_a_larger_animal_hold_longer(
    mass: float, inspired: float, saturation: float
) -> None:
    held = apnoea.saturation_holds_s(mass, inspired, saturation)
    assert apnoea.saturation_holds_s(mass, inspired + 0.1, saturation) > held
    assert apnoea.saturation_holds_s(1.2 * mass, inspired, saturation) >= held
    assert apnoea.saturation_holds_s(mass, inspired, saturation - 0.1) >= held
    assert apnoea.saturation_holds_s(mass, inspired, saturation, arterial_co2_mmhg=60.0) <= held


def test_nothing_is_stored_below_the_start() -> None:
    assert apnoea.store_time_s(0.3, 60.0, 60.0) == 0.0
    assert apnoea.store_time_s(0.3, 50.0, 60.0) == 0.0
    # Thin air: at 500 mmHg the same partial pressures are a larger share of the lung.
    assert apnoea.store_time_s(0.3, 100.0, 40.0, 500.0) == pytest.approx(
        6.719 * 713.0 / 453.0, rel=FORMULA
    )
