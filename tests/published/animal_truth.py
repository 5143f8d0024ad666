"""What the ventilator of the animal recording did, established without any pressure threshold.

The machine is volume-controlled: it closes its valve, pushes about 25 L/min for about 1.2 s, holds
to 3.0 s, and opens the valve. The opening is a mechanical event: within 60 ms pressure falls by 9
cmH2O or more, and expiratory flow begins. It comes 43 times, every 6.001 s, from 5.861 to 257.907
s; chest compressions (17 to 105 s, 147 to 207 s) blur what lies between but move no opening by
more than 30 ms. So the schedule is fitted to the openings of the quiet stretches, and each
scheduled opening is then confirmed in pressure and in flow by itself. The start of an inflation is
the upward crossing of 5 L/min in the quiet cycles, and 3.003 s (the median of those) before the
opening where compressions or gasps move gas as well. After 257.9 s the machine is off; six gasps
follow, seen in flow.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from published.animal_recording import AnimalRecording, Array

PERIOD_S = 6.0011
FIRST_RELEASE_S = 5.861
INFLATIONS = 43
#: Valve closed for so long: median of the cycles in which flow shows the start by itself.
INSPIRATORY_TIME_S = 3.003
#: Cycles (by number from 0) without compressions, gasps or efforts before the valve closes.
QUIET = (2, 20, 21, 34, 35, 36, 37, 38, 39, 42)
ONSET_L_PER_MIN = 5.0
#: Starts of the gasps after the machine was switched off, read off the flow by hand.
GASPS_S = (261.05, 276.5, 300.1, 325.5, 347.0, 370.5)


@dataclass(frozen=True)
class TrueInflation:
    """Times in s from the first pressure sample; what only flow can tell is None in loud cycles."""

    number: int
    start_s: float
    release_s: float
    flow_ends_s: float | None
    tidal_volume_ml: float | None


def scheduled_releases() -> list[float]:
    """When the valve should open."""
    return [FIRST_RELEASE_S + PERIOD_S * number for number in range(INFLATIONS)]


def seen_release(
    times: Array, values: Array, near_s: float, within_s: float
) -> tuple[float, float]:
    """The largest fall over 60 ms near a moment: (when it begins, how much)."""
    first, last = np.searchsorted(times, (near_s - within_s, near_s + within_s))
    later = np.searchsorted(times, times[first:last] + 0.06)
    falls = values[first:last] - values[np.minimum(later, len(values) - 1)]
    best = int(np.argmax(falls))
    return float(times[first + best]), float(falls[best])


def flow_onset(source: AnimalRecording, release_s: float) -> float:
    """The last upward crossing of 5 L/min before the flow of a quiet inflation."""
    flow = source.flow_l_per_min
    first, last = np.searchsorted(source.flow_s, (release_s - 3.4, release_s - 2.4))
    ups = np.flatnonzero(
        (flow[first : last - 1] < ONSET_L_PER_MIN) & (flow[first + 1 : last] >= ONSET_L_PER_MIN)
    )
    return float(source.flow_s[first + 1 + int(ups[0])])


def flow_end(source: AnimalRecording, start_s: float) -> float:
    """When inspiratory flow has come down to 5 L/min again."""
    first = int(np.searchsorted(source.flow_s, start_s + 0.3))
    below = np.flatnonzero(source.flow_l_per_min[first:] < ONSET_L_PER_MIN)
    return float(source.flow_s[first + int(below[0])])


def volume_ml(source: AnimalRecording, from_s: float, to_s: float) -> float:
    """Flow integrated (trapezoids), L/min to mL."""
    inside = (source.flow_s >= from_s) & (source.flow_s <= to_s)
    litres = np.trapezoid(source.flow_l_per_min[inside] / 60.0, source.flow_s[inside])
    return float(1000.0 * litres)


def true_inflations(source: AnimalRecording) -> list[TrueInflation]:
    """All 43, in order."""
    found = []
    for number, near_s in enumerate(scheduled_releases()):
        release_s, _ = seen_release(source.paw_s, source.paw_cmh2o, near_s, 0.05)
        if number in QUIET:
            start_s = flow_onset(source, release_s)
            ends_s = flow_end(source, start_s)
            volume = volume_ml(source, start_s - 0.05, ends_s + 0.05)
            found.append(TrueInflation(number, start_s, release_s, ends_s, volume))
        else:
            start_s = release_s - INSPIRATORY_TIME_S
            found.append(TrueInflation(number, start_s, release_s, None, None))
    return found
