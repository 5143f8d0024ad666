"""One report of the supply, with only those values in it that can be used."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from service import messages as wire

#: Beyond these a value is a fault of the device.
MAX_CURRENT_A: Final = 1000.0
MAX_VOLTAGE_V: Final = 1000.0
MAX_CAPACITY_AH: Final = 10_000.0
MIN_CAPACITY_AH: Final = 1e-3
FULL: Final = 100.0


@dataclass(frozen=True, slots=True)
class Report:
    """What a device said of its supply at `at_ms` (received time); None where it said nothing.

    Charge in percent as the gauge shows it, current in A without sign, voltage in V, capacity of
    the full battery in Ah.
    """

    at_ms: int
    on_battery: bool
    charge_percent: float | None = None
    current_a: float | None = None
    voltage_v: float | None = None
    capacity_ah: float | None = None
    device: str = ""

    def usable(self) -> Report:
        """The same without values that cannot be: not finite, or outside of what is possible."""
        return Report(
            self.at_ms,
            self.on_battery,
            _within(self.charge_percent, 0.0, FULL),
            _within(_size(self.current_a), 0.0, MAX_CURRENT_A),
            _within(self.voltage_v, 1e-3, MAX_VOLTAGE_V),
            _within(self.capacity_ah, MIN_CAPACITY_AH, MAX_CAPACITY_AH),
            self.device,
        )


def reported(message: wire.Power, received_ms: int) -> Report:
    """What a message says of the supply."""
    return Report(
        at_ms=received_ms,
        on_battery=message.supply == "battery",
        charge_percent=_usable(message.charge),
        current_a=_usable(message.current),
        voltage_v=_usable(message.voltage),
        capacity_ah=_usable(message.capacity),
        device=message.device,
    ).usable()


def _usable(quantity: wire.Quantity | None) -> float | None:
    return None if quantity is None else quantity.usable


def _size(value: float | None) -> float | None:
    # Devices differ in the sign of a current out of the battery.
    return None if value is None else abs(value)


def _within(value: float | None, low: float, high: float) -> float | None:
    if value is None or not math.isfinite(value) or not low <= value <= high:
        return None
    return float(value)
