"""How long the battery lasts."""

from __future__ import annotations

from collections import deque
from statistics import median
from typing import Final

from service.known import PowerInfo

#: A discharge is read from charge alone over at least this long and this many percent.
MIN_SLOPE_MS: Final = 5 * 60_000
MIN_SLOPE_PERCENT: Final = 2.0
RECENT_REPORTS: Final = 6


def minutes_left(history: deque[PowerInfo]) -> tuple[float | None, str]:
    """Minutes until empty at the present draw, and why not where that is unknown.

    From capacity, charge and current where the device sends them (charge x capacity / current);
    else from how the charge has been falling.
    """
    last = history[-1]
    if last.supply != "battery":
        return None, "on mains: what it draws from the battery is not known"
    if last.charge_percent is None:
        return None, "charge not known"
    stretch = _on_battery(history)
    currents = [abs(p.current_a) for p in stretch[-RECENT_REPORTS:] if p.current_a]
    if last.capacity_ah and currents:
        hours = last.charge_percent / 100.0 * last.capacity_ah / median(currents)
        return 60.0 * hours, ""
    return _from_slope(stretch)


def _on_battery(history: deque[PowerInfo]) -> list[PowerInfo]:
    """The reports since the supply was last changed to battery, oldest first."""
    stretch: list[PowerInfo] = []
    for report in reversed(history):
        if report.supply != "battery":
            break
        stretch.append(report)
    return stretch[::-1]


def _from_slope(stretch: list[PowerInfo]) -> tuple[float | None, str]:
    charged = [(p.received_ms, p.charge_percent) for p in stretch if p.charge_percent is not None]
    first, last = charged[0], charged[-1]
    used = first[1] - last[1]
    if last[0] - first[0] < MIN_SLOPE_MS or used < MIN_SLOPE_PERCENT:
        return None, "draw not known yet"
    per_minute = used / ((last[0] - first[0]) / 60_000.0)
    return last[1] / per_minute, ""
