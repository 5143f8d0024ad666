"""Breath timing against the definitions (ISO 19223 terms); values computed from them."""

from __future__ import annotations

import pytest

from service.physiology import timing

EXACT = 1e-6

# Definition: RR = 60/(Ti+Te), I:E = 1:(Te/Ti), duty = Ti/(Ti+Te). Fractions keep all digits.
TABLE = [
    # ti_s, te_s, rate, x of 1:x, duty
    (0.6, 2.0, 300 / 13, 10 / 3, 3 / 13),
    (0.5, 1.0, 40.0, 2.0, 1 / 3),
    (0.3, 0.7, 60.0, 7 / 3, 0.3),
    (1.0, 2.0, 20.0, 2.0, 1 / 3),
    (1.0, 4.0, 12.0, 4.0, 0.2),
]


@pytest.mark.parametrize(("ti_s", "te_s", "rate", "ratio", "duty"), TABLE)
def test_rate_ratio_and_duty(
    ti_s: float, te_s: float, rate: float, ratio: float, duty: float
) -> None:
    assert timing.respiratory_rate_per_min(ti_s, te_s) == pytest.approx(rate, rel=EXACT)
    assert timing.expiratory_ratio(ti_s, te_s) == pytest.approx(ratio, rel=EXACT)
    assert timing.duty(ti_s, te_s) == pytest.approx(duty, rel=EXACT)


# Inverse of the definitions, computed: Ti = 60/(RR (1+x)), Te = x Ti.
@pytest.mark.parametrize(
    ("rate", "ratio", "ti_s", "te_s"),
    [(40.0, 1.5, 0.6, 0.9), (12.0, 3.0, 1.25, 3.75), (8.0, 4.0, 1.5, 6.0)],
)
def test_times_from_rate_and_ratio(rate: float, ratio: float, ti_s: float, te_s: float) -> None:
    assert timing.times_s(rate, ratio) == pytest.approx((ti_s, te_s), rel=EXACT)


def test_a_rate_read_off_a_ventilator_agrees_within_its_rounding() -> None:
    # Common practice, no source: Ti about 0.6 s with Te 2 s is read as about 22/min and 1:3.2.
    assert timing.respiratory_rate_per_min(0.6, 2.0) == pytest.approx(23.08, abs=0.005)
    assert timing.expiratory_ratio(0.6, 2.0) == pytest.approx(3.33, abs=0.005)
    assert timing.expiratory_ratio(0.6, 2.0) == pytest.approx(3.2, abs=0.2)
    # 23.08 is 1.08 from the rate read; a Ti of 0.625 s, shown as 0.6, gives both readings.
    ti_s = 2.0 / 3.2
    assert ti_s == pytest.approx(0.6, abs=0.05)
    assert timing.expiratory_ratio(ti_s, 2.0) == pytest.approx(3.2, abs=0.05)
    assert timing.respiratory_rate_per_min(ti_s, 2.0) == pytest.approx(22.0, abs=1.0)


def test_te_that_halves_the_rate_to_wean() -> None:
    # Common practice, no source: Te is lengthened until the rate has halved, from 22 to 11 /min.
    # Ti is the lung's; by the definition Te = 60/11 - 0.6 = 4.854545 s.
    te_s = timing.expiratory_time_s(11.0, 0.6)
    assert te_s == pytest.approx(4.854545, rel=EXACT)
    assert timing.respiratory_rate_per_min(0.6, te_s) == pytest.approx(11.0, rel=EXACT)
    assert timing.expiratory_time_s(22.0, 0.6) == pytest.approx(2.127273, rel=EXACT)
