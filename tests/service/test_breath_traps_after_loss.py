"""Traps of a stream that was disturbed: own breathing, a block, a disconnection."""

from __future__ import annotations

import pytest
from wave_shapes import BEGIN_S, LEAD_S, RATE_HZ, Ventilation

from service.signals.breaths import BreathFinder

WAVE = Ventilation(0.6, 2.0, pip=12.0, peep=2.0)


@pytest.mark.parametrize(("rest", "depth"), [(3.0, 2.5), (5.0, 4.0)])
@pytest.mark.parametrize("dip_s", [0.4, 0.8])
def test_own_breathing_on_positive_pressure_is_no_inflation(
    rest: float, depth: float, dip_s: float
) -> None:
    # From the first sample on, as after a restart of the service during weaning on CPAP.
    breathing = [
        (BEGIN_S + at / RATE_HZ, rest - depth * (at / RATE_HZ % 3.0 > 3.0 - dip_s))
        for at in range(6000)
    ]
    finder = BreathFinder()
    assert finder.feed(breathing, "d:e:1").inflations == []
    assert finder.inspiring_since is None


@pytest.mark.parametrize(("dip_s", "every_s"), [(0.8, 3.0), (0.9, 2.0)])
def test_long_efforts_against_a_pressure_that_stays_up_do_not_release_it(
    dip_s: float, every_s: float
) -> None:
    blocked_s = BEGIN_S + LEAD_S + 5 * WAVE.period_s + 0.3
    stuck = [
        (t, p if t < blocked_s else 12.0 - 5.0 * ((t - blocked_s) % every_s > every_s - dip_s))
        for t, p in WAVE.samples(16)
    ]
    finder = BreathFinder()
    assert len(finder.feed(stuck, "d:e:1").inflations) == 5
    since = finder.inspiring_since
    assert since is not None
    assert since - BEGIN_S - LEAD_S == pytest.approx(5 * WAVE.period_s, abs=0.1)


@pytest.mark.parametrize("rate_hz", [100.0, 500.0])
def test_breaths_are_found_again_after_a_long_block(rate_hz: float) -> None:
    # Exhalation is blocked for a minute: longer than samples of one inflation are kept whole.
    blocked_s = BEGIN_S + LEAD_S + 5 * WAVE.period_s + 0.3
    freed_s = blocked_s + 60.0
    before = [s for s in WAVE.samples(12, rate_hz=rate_hz) if s[0] < blocked_s]
    stuck = [(blocked_s + at / rate_hz, 11.0) for at in range(int(60.0 * rate_hz))]
    after = [(t - BEGIN_S + freed_s, p) for t, p in WAVE.samples(12, rate_hz=rate_hz)]
    finder = BreathFinder()
    finder.feed([*before, *stuck], "d:e:1")
    assert finder.inspiring_since == pytest.approx(blocked_s - 0.3, abs=0.1)
    found = finder.feed(after, "d:e:1").inflations
    again = [i for i in found if i.start_s > freed_s]
    assert len(again) == 12
    assert [i.ti_s for i in again] == [pytest.approx(0.6, abs=2.0 / rate_hz + 1e-6)] * 12


def test_breaths_are_found_at_once_after_a_disconnection() -> None:
    # Half a minute without a breath is no usual time between two of a mouse.
    mouse = Ventilation(0.12, 0.35)
    before = mouse.samples(40)
    off_s = before[-1][0]
    off = [(off_s + at / RATE_HZ, 2.0) for at in range(1, 3000)]
    on_s = off[-1][0]
    after = [(t - BEGIN_S + on_s, p) for t, p in mouse.samples(40)][1:]
    found = BreathFinder().feed([*before, *off, *after], "d:e:1").inflations
    again = [i for i in found if i.start_s > on_s]
    assert len(again) >= 38
    assert again[0].start_s == pytest.approx(on_s + LEAD_S, abs=0.02)
