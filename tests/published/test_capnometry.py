"""What an analyser hides in very small animals: the worked values, and an interval that holds."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.physiology import allometry, gas_exchange
from service.physiology.capnometry import corrected_etco2
from service.physiology.gas_exchange import undiluted_share

#: Simple mass mixing: a bound, no published figure.
BOUND = 0.20


@pytest.mark.parametrize(
    ("kg", "sampling", "share"), [(0.03, 50.0, 0.4586), (0.3, 200.0, 0.7235), (3.0, 200.0, 1.0)]
)
def test_undiluted_share(kg: float, sampling: float, share: float) -> None:
    # Stahl 1967 minute volume over the draw of the sampling line; computed.
    volume = allometry.expected("minute_volume_ml_per_min", "mammal", kg)
    assert volume is not None
    assert volume == allometry.mammal(kg).minute_volume_ml_per_min
    assert undiluted_share(volume, sampling) == pytest.approx(share, rel=1e-3)


def test_forty_is_seen_as_eighteen() -> None:
    # 30 g, 50 mL/min: 40 mmHg becomes 18.34; computed from the same mixing.
    volume = allometry.mammal(0.03).minute_volume_ml_per_min
    assert 40.0 * undiluted_share(volume, 50.0) == pytest.approx(18.34, rel=1e-3)


def test_expected_minute_volume_by_class() -> None:
    # Birds after Lasiewski & Calder 1971 (worked value 112.4 mL/min at 0.3 kg); no line for the
    # rest, whose breathing follows no mass.
    bird = allometry.expected("minute_volume_ml_per_min", "bird", 0.3)
    assert bird == pytest.approx(112.4, rel=1e-3)
    assert allometry.expected("minute_volume_ml_per_min", "reptile", 0.3) is None
    assert allometry.expected("minute_volume_ml_per_min", "amphibian", 0.3) is None


@pytest.mark.parametrize(
    ("rise_s", "plateau_s", "share"),
    [(0.240, 0.30, 0.9358), (0.240, 0.18, 0.8075), (0.400, 0.30, 0.8075)],
)
def test_lag_is_undone(rise_s: float, plateau_s: float, share: float) -> None:
    # First-order response, tau = T10-90 / 2.197: 1 - exp(-t/tau); computed. Mainstream: no draw.
    made = corrected_etco2(
        40.0 * share, plateau_s, 379.0, rise_10_90_s=rise_s, sampling_ml_per_min=0.0
    )
    assert made.etco2_mmhg == pytest.approx(40.0, rel=0.02)
    assert made.low_mmhg < 40.0 < made.high_mmhg
    assert made.hidden_share == pytest.approx(1.0 - share, abs=0.02)


@pytest.mark.parametrize(("kg", "sampling", "seen"), [(0.03, 50.0, 18.34), (0.3, 200.0, 28.94)])
def test_dilution_is_undone(kg: float, sampling: float, seen: float) -> None:
    volume = allometry.mammal(kg).minute_volume_ml_per_min
    made = corrected_etco2(seen, 5.0, volume, rise_10_90_s=0.1, sampling_ml_per_min=sampling)
    assert made.etco2_mmhg == pytest.approx(40.0, rel=0.02)
    assert made.low_mmhg == pytest.approx(40.0 * (1.0 - BOUND), rel=0.05)
    assert made.high_mmhg == pytest.approx(40.0 * (1.0 + BOUND), rel=0.05)
    assert made.hides_much


def test_a_large_animal_needs_no_correction() -> None:
    made = corrected_etco2(40.0, 1.5, allometry.mammal(3.0).minute_volume_ml_per_min)
    assert made.etco2_mmhg == pytest.approx(40.0, rel=0.01)
    assert not made.hides_much


def test_what_the_analyser_showed_at_the_start_counts() -> None:
    """It had not come back to zero: less of the plateau was left to follow."""
    from_zero = corrected_etco2(30.0, 0.2, 379.0, rise_10_90_s=0.3, sampling_ml_per_min=0.0)
    from_ten = corrected_etco2(
        30.0, 0.2, 379.0, start_mmhg=10.0, rise_10_90_s=0.3, sampling_ml_per_min=0.0
    )
    share = gas_exchange.analyser_peak_share(0.2, 0.3)
    assert from_zero.etco2_mmhg == pytest.approx(30.0 / share, rel=0.02)
    assert from_ten.etco2_mmhg == pytest.approx(10.0 + 20.0 / share, rel=0.02)


def test_without_knowing_the_analyser_nothing_is_said_of_the_smallest() -> None:
    made = corrected_etco2(18.0, 0.3, allometry.mammal(0.03).minute_volume_ml_per_min)
    assert made.etco2_mmhg is made.low_mmhg is made.high_mmhg is None
    assert "anything from" in made.why_absent
    assert made.hides_much
    assert "unknown" in made.caution


def test_without_a_minute_volume_only_lag_is_judged() -> None:
    made = corrected_etco2(30.0, 0.15, None, rise_10_90_s=0.4)
    assert made.etco2_mmhg is None
    assert made.hides_much
    assert made.why_absent == "no minute volume to expect"


@pytest.mark.parametrize("known", [True, False], ids=["analyser known", "analyser unknown"])
def test_nine_of_ten_true_values_lie_in_the_interval(known: bool) -> None:
    """Over animals and analysers drawn at random from what may be expected."""
    chance = random.Random(6)
    inside, told, deviation = 0, 0, 0.2 / 1.645
    for _ in range(4000):
        volume = allometry.mammal(chance.uniform(0.15, 1.0)).minute_volume_ml_per_min
        true, expired_s = chance.uniform(25.0, 60.0), chance.uniform(0.15, 1.0)
        rise_s, sampling = chance.uniform(0.06, 0.4), chance.uniform(0.0, 200.0)
        real = volume * math.exp(chance.gauss(0.0, deviation))
        lag = gas_exchange.analyser_peak_share(
            expired_s * math.exp(chance.gauss(0.0, 0.15 / 1.645)),
            rise_s * (math.exp(chance.gauss(0.0, 0.15 / 1.645)) if known else 1.0),
        )
        made = corrected_etco2(
            true * lag * undiluted_share(real, sampling),
            expired_s,
            volume,
            rise_10_90_s=rise_s if known else None,
            sampling_ml_per_min=sampling if known else None,
        )
        if made.low_mmhg is not None and made.high_mmhg is not None:
            told += 1
            inside += made.low_mmhg - 1e-9 <= true <= made.high_mmhg + 1e-9
    assert told > 3000
    assert inside / told >= 0.87


@given(
    measured=st.floats(1.0, 150.0),
    expired_s=st.floats(0.05, 20.0),
    kg=st.floats(0.01, 50.0),
    sampling=st.floats(0.0, 300.0) | st.none(),
    rise_s=st.floats(0.02, 1.0) | st.none(),
)
def test_never_under_what_was_measured(
    measured: float, expired_s: float, kg: float, sampling: float | None, rise_s: float | None
) -> None:
    volume = allometry.mammal(kg).minute_volume_ml_per_min
    made = corrected_etco2(
        measured, expired_s, volume, rise_10_90_s=rise_s, sampling_ml_per_min=sampling
    )
    assert 0.0 <= made.hidden_share < 1.0 + 1e-9
    if made.etco2_mmhg is None:
        assert made.why_absent
        return
    assert made.low_mmhg is not None
    assert made.high_mmhg is not None
    assert measured <= made.low_mmhg * (1.0 + 1e-9)
    assert made.low_mmhg <= made.etco2_mmhg <= made.high_mmhg <= 2.0 * made.low_mmhg


@pytest.mark.parametrize(
    ("measured", "expired_s", "volume", "rise_s"),
    [(0.0, 1.0, 100.0, None), (40.0, 0.0, 100.0, None), (40.0, 1.0, 0.0, None),
     (40.0, 1.0, 100.0, 0.0)],
)  # fmt: skip
def test_what_cannot_be(
    measured: float, expired_s: float, volume: float, rise_s: float | None
) -> None:
    with pytest.raises(ValueError, match="must be"):
        corrected_etco2(measured, expired_s, volume, rise_10_90_s=rise_s)
