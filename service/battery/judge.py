"""From what is remembered of a battery to minutes: which readings are believed, and what is said.

Where current and a capacity are known the fall is reckoned from them, else it is read off the
gauge. A gauge that cannot be right is named and not used; the voltage has the last word near the
end.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from service.battery.estimate import Estimate, Known, contradicts, ending, estimate
from service.battery.report import FULL
from service.battery.slope import Mark
from service.battery.state import Battery
from service.battery.voltage import EARLIEST_END, LATEST_END

#: Less than this a minute (500 hours from full) is no draw of a ventilator.
LEAST_PER_MINUTE: Final = FULL / (500.0 * 60.0)
#: The draw after plugging out need not be that of before.
DRAW_ERROR_ON_MAINS: Final = 0.15
#: A gauge is doubtful that lags behind the current by so many percent and share of what was used.
LAG_POINTS: Final = 5.0
LAG_SHARE: Final = 0.10
#: The low end rises by at most so many minutes a minute, or this share of itself: it may fall at
#: once, but an advisory that rests on it must not flap.
RISE_MIN: Final = 1.0
RISE_SHARE: Final = 0.1
_MS_PER_MIN: Final = 60_000.0
_MIN_PER_H: Final = 60.0


def on_battery(battery: Battery) -> Estimate:
    """The estimate while the battery empties; its fall is noted for when it is on mains."""
    at_ms, gauge = battery.at_ms, battery.gauge
    points_per_ah = battery.points_per_ah()
    charge = gauge.points(at_ms, battery.draw.moved_ah, points_per_ah)
    per_minute = _fall(battery, points_per_ah)
    if per_minute is not None:
        battery.per_minute = per_minute
    if points_per_ah is None and not gauge.fresh(at_ms):
        charge = None
    if charge is None or per_minute is None:
        why = "charge not known" if charge is None else "draw not known yet"
        return _heeding_voltage(battery, Estimate(at_ms, why_unknown=why))
    counted = gauge.counted(at_ms, battery.draw.moved_ah, points_per_ah)
    ahead = _ahead(battery, charge)
    known = Known(
        charge=charge - ahead if battery.lags else charge,
        per_minute=per_minute,
        draw_error=_draw_error(battery, points_per_ah),
        step=gauge.step,
        counted=0.0 if gauge.fresh(at_ms) and not gauge.stuck else counted,
        ahead=0.0 if battery.lags else ahead,
        above=gauge.excess + (ahead if battery.lags else 0.0),
        age_known=battery.learnt.age_known(battery.capacity_ah),
        unlearnt=battery.learnt.unlearnt(),
    )
    made = replace(estimate(at_ms, known), doubt=_doubt(battery))
    return _heeding_voltage(battery, made)


def on_mains(battery: Battery, charge_percent: float | None) -> Estimate:
    """What there would be after plugging out, at the draw last seen on battery."""
    charge = FULL if charge_percent is None and battery.full else charge_percent
    if charge is None:
        return Estimate(battery.at_ms, why_unknown="charge not known", runs=False)
    if battery.per_minute is None:
        why = "on mains: what it draws from the battery is not known"
        return Estimate(battery.at_ms, why_unknown=why, runs=False)
    known = Known(
        charge,
        battery.per_minute,
        DRAW_ERROR_ON_MAINS,
        battery.gauge.step,
        age_known=battery.learnt.age_known(battery.capacity_ah),
        unlearnt=battery.learnt.unlearnt(),
    )
    return replace(estimate(battery.at_ms, known), runs=False)


def held(before: Estimate | None, made: Estimate, elapsed_ms: int) -> Estimate:
    """The estimate with a low end that rises no faster than allowed."""
    if before is None or before.low is None or made.low is None:
        return made
    rise = max(RISE_MIN, RISE_SHARE * before.low) * elapsed_ms / _MS_PER_MIN
    return replace(made, low=min(made.low, before.low + rise))


def _fall(battery: Battery, points_per_ah: float | None) -> float | None:
    """Percent a minute."""
    if points_per_ah is not None:
        per_minute: float | None = battery.draw.slow_a * points_per_ah / _MIN_PER_H
    else:
        per_minute = battery.gauge.fall.points_per_minute()
    return per_minute if per_minute is not None and per_minute >= LEAST_PER_MINUTE else None


def _draw_error(battery: Battery, points_per_ah: float | None) -> float:
    if points_per_ah is not None:
        return battery.draw.error_share()
    return battery.gauge.fall.error_share(battery.gauge.step)


def _ahead(battery: Battery, charge: float) -> float:
    """By how many percent the charge believed is over what current and stated capacity leave.

    Counted from where it was last not over it.
    """
    base, capacity_ah, moved_ah = battery.gauge.base, battery.capacity_ah, battery.draw.moved_ah
    if base is None or capacity_ah is None or battery.points_per_ah() is None:
        battery.lags = False
        return 0.0
    used = FULL * (moved_ah - base.moved_ah) / capacity_ah
    ahead = charge - max(0.0, base.points - used)
    if ahead <= 0.0:
        battery.gauge.base = Mark(battery.at_ms, moved_ah, charge)
        battery.lags = False
        return 0.0
    if ahead > LAG_POINTS + battery.gauge.step + LAG_SHARE * used:
        battery.lags = True
    return ahead


def _heeding_voltage(battery: Battery, made: Estimate) -> Estimate:
    latest = battery.voltage.minutes_to(LATEST_END)
    earliest = battery.voltage.minutes_to(EARLIEST_END)
    if latest is None or earliest is None:
        return made
    doubt = made.doubt
    if not doubt and made.minutes is not None and contradicts(made.minutes, latest):
        doubt = "the voltage collapses before the gauge is low"
    return replace(ending(made, latest, earliest), doubt=doubt)


def _doubt(battery: Battery) -> str:
    """Why the gauge is doubtful; empty where it is not, or is not sent."""
    gauge = battery.gauge
    if not gauge.fresh(battery.at_ms):
        return ""
    if gauge.stuck:
        return f"the gauge stands at {gauge.shown:g} % while current is drawn"
    if gauge.excess > 0.0:
        return f"the gauge shows {gauge.excess:.0f} % more than was left: not believed"
    if battery.lags:
        return "the gauge falls less than the current explains"
    if gauge.jump_spoken(battery.at_ms):
        return f"the gauge leapt by {gauge.jump:.0f} %"
    return ""
