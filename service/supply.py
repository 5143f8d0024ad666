"""How long the battery lasts: reports are taken one after another, each gives an estimate."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from service.battery.judge import held, on_battery, on_mains
from service.battery.learnt import Learnt
from service.battery.report import FULL, Report
from service.battery.state import Battery

#: A battery that was not heard of for longer may have been charged or changed meanwhile.
UNHEARD_MS: Final = 10 * 60_000
#: A charge that leaps up together with the voltage is another battery; a load that eases lifts
#: the voltage too.
OTHER_PACK_VOLTAGE: Final = 1.02
EASED_SHARE: Final = 0.8
#: A charger has filled the battery when its current has come down to this share of its highest.
TAPERED_SHARE: Final = 0.2
#: A charger that gives less (A) does not charge; a battery this full (%) needs none.
LEAST_CHARGING_A: Final = 0.02
FULL_ENOUGH: Final = 95.0


def follow(battery: Battery, report: Report) -> Battery:
    """Take one usable report, in order of receipt.

    Returns the battery, a new one for another device.
    """
    if battery.on_battery is not None and report.device != battery.device:
        battery = Battery()
    elapsed_ms = max(0, report.at_ms - battery.at_ms)
    changed = report.on_battery != battery.on_battery
    if changed:
        elapsed_ms = 0
        battery.begin_stretch()
        if not report.on_battery:
            battery.charger_peak_a, battery.full = 0.0, False
    battery.device, battery.on_battery = report.device, report.on_battery
    battery.at_ms = max(battery.at_ms, report.at_ms)
    battery.capacity_ah = report.capacity_ah or battery.capacity_ah
    if report.on_battery:
        other = _discharge(battery, report, elapsed_ms)
        made = on_battery(battery)
        battery.estimate = made if changed or other else held(battery.estimate, made, elapsed_ms)
    else:
        _charge(battery, report)
        battery.estimate = on_mains(battery, report.charge_percent)
    return battery


def _charge(battery: Battery, report: Report) -> None:
    if report.current_a is None:
        return
    battery.charger_peak_a = max(battery.charger_peak_a, report.current_a)
    tapered = report.current_a <= TAPERED_SHARE * battery.charger_peak_a
    battery.full = battery.charger_peak_a > 0.0 and tapered


def _discharge(battery: Battery, report: Report, elapsed_ms: int) -> bool:
    """Returns whether it is another battery than before."""
    current_a, reading = report.current_a or None, report.charge_percent
    other = reading is not None and _is_other(battery, report, reading, elapsed_ms)
    if other:
        battery.begin_stretch()
        battery.learnt, elapsed_ms = Learnt(), 0
    battery.draw.add(battery.at_ms, elapsed_ms / 1000.0, current_a)
    if reading is not None:
        _read_gauge(battery, reading)
    elif battery.gauge.anchor is None and battery.full:
        battery.gauge.begin(battery.at_ms, battery.draw.moved_ah, FULL)
    if report.voltage_v is not None:
        battery.voltage.add(battery.at_ms, report.voltage_v, current_a)
    return other


def _read_gauge(battery: Battery, reading: float) -> None:
    gauge, moved_ah = battery.gauge, battery.draw.moved_ah
    before = gauge.take(reading, battery.at_ms, moved_ah, battery.points_per_ah())
    after = gauge.anchor
    if before is not None and after is not None and battery.draw.known(battery.at_ms):
        battery.learnt.add(moved_ah - before.moved_ah, before.points - after.points)


def _is_other(battery: Battery, report: Report, reading: float, elapsed_ms: int) -> bool:
    """Whether more charge than before is believed: after a silence, or with a higher voltage."""
    moved_ah, points_per_ah = battery.draw.moved_ah, battery.points_per_ah()
    if battery.gauge.surprise(reading, battery.at_ms, moved_ah, points_per_ah) <= 0.0:
        return False
    if battery.gauge.shown is not None and reading <= battery.gauge.shown:
        return False
    before_v, before_a = battery.voltage.now_v, battery.draw.quick_a
    higher = (
        report.voltage_v is not None and 0.0 < OTHER_PACK_VOLTAGE * before_v <= report.voltage_v
    )
    eased = report.current_a is not None and report.current_a < EASED_SHARE * before_a
    return elapsed_ms > UNHEARD_MS or (higher and not eased)


@dataclass(slots=True)
class Charging:
    """Since when a battery on mains has neither been charged nor been full (received ms)."""

    charge_percent: float | None = None
    idle_since_ms: int | None = None

    def take(self, report: Report) -> None:
        """Take one usable report."""
        charge, before = report.charge_percent, self.charge_percent
        self.charge_percent = charge if charge is not None else before
        fills = (report.current_a or 0.0) >= LEAST_CHARGING_A or (
            charge is not None and before is not None and charge > before
        )
        full = self.charge_percent is not None and self.charge_percent >= FULL_ENOUGH
        if report.on_battery or fills or full or self.charge_percent is None:
            self.idle_since_ms = None
        elif self.idle_since_ms is None:
            self.idle_since_ms = report.at_ms
