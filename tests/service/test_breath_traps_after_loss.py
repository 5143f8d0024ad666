"""Two more traps, to be added to test_breath_traps.py."""

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
