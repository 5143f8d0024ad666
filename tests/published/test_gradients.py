"""The table of end-tidal less arterial CO2 against what the papers say."""

from __future__ import annotations

import pytest

from service.physiology.gradients import GRADIENTS, gradients_of


def _one(who: str, **wanted: str) -> float | None:
    found = [g for g in gradients_of(who) if all(getattr(g, k) == v for k, v in wanted.items())]
    assert len(found) == 1
    return found[0].mean_mmhg


def test_raptors() -> None:
    # Desmarchelier 2007 J Zoo Wildl Med 38:1-6, 0.416 to 2.06 kg: 1.0 +/- 8.5; ventilated over 0.3
    # of the theoretical rate +5.54 +/- 6.10, slower -6.43 +/- 18.64 (mean +/- 2 sd).
    overall, fast, slow = gradients_of("raptor")
    assert (overall.mean_mmhg, overall.sd_mmhg) == (1.0, 8.5)
    assert fast.mean_mmhg == 5.54
    assert fast.sd_mmhg == pytest.approx(6.10 / 2.0)
    assert slow.mean_mmhg == -6.43
    assert slow.sd_mmhg == pytest.approx(18.64 / 2.0)


def test_rabbits() -> None:
    # Vet Anaesth Analg 2023;50:81-90, IPPV, 3.6 kg: end-tidal under arterial by 12.6 +/- 2.9
    # (mainstream), 23.9 +/- 8.2 (sidestream, 12 /min), about 38 (20 /min).
    assert _one("rabbit", breathing="ventilated", sampling="mainstream") == -12.6
    assert _one("rabbit", condition="12 /min") == -23.9
    assert _one("rabbit", condition="20 /min") == -38.0
    # Vet Anaesth Analg 2020;47:537-546, spontaneous: -16.7 (-35.2 to 1.8 is 1.95 sd), -27.9, -18.1.
    mainstream = gradients_of("rabbit")[3]
    assert mainstream.mean_mmhg == -16.7
    assert mainstream.sd_mmhg is not None
    for limit, sign in ((-35.2, -1.0), (1.8, 1.0)):
        assert mainstream.mean_mmhg + sign * 1.95 * mainstream.sd_mmhg == pytest.approx(limit)
    sidestream = [g.mean_mmhg for g in gradients_of("rabbit")[4:]]
    assert sidestream == [-27.9, -18.1]


@pytest.mark.parametrize("who", ["dog", "cat"])
def test_dogs_and_cats(who: str) -> None:
    # From memory: end-tidal 2 to 5 mmHg under arterial in health; the 90 % interval holds that.
    (gradient,) = gradients_of(who)
    arterial = gradient.arterial_mmhg(40.0)
    assert arterial is not None
    assert (arterial.low, arterial.high) == pytest.approx((42.0, 45.0), abs=0.1)


def test_what_a_capnogram_hides_in_a_rabbit() -> None:
    # A sidestream 30 at 12 /min is an arterial 53.9, from 40.4 to 67.4 (1.645 x 8.2); computed.
    gradient = next(g for g in gradients_of(" Rabbit ") if g.condition == "12 /min")
    arterial = gradient.arterial_mmhg(30.0)
    assert arterial is not None
    assert (arterial.value, arterial.low, arterial.high) == pytest.approx(
        (53.9, 40.41, 67.39), abs=0.01
    )


def test_without_a_spread_nothing_is_said() -> None:
    silent = [g for g in GRADIENTS if g.sd_mmhg is None]
    assert len(silent) == 3
    assert all(g.arterial_mmhg(30.0) is None for g in silent)
    assert gradients_of("hedgehog") == ()


def test_every_row_has_a_source_and_no_arterial_value_is_below_zero() -> None:
    for gradient in GRADIENTS:
        assert gradient.source
        low = gradient.arterial_mmhg(0.0)
        assert low is None or low.low >= 0.0
        with pytest.raises(ValueError, match="end_tidal_mmhg"):
            gradient.arterial_mmhg(-1.0)
