"""The ventilator's supply: a battery that empties at a constant draw, or charges on mains."""

from __future__ import annotations

from adapters.simulator.events import Supply
from adapters.simulator.scenario import PowerSpec

_S_PER_H = 3600.0
_FULL = 100.0
#: Cell voltage over nominal, full and empty: a straight line, as a lithium pack roughly does.
_FULL_V, _EMPTY_V = 1.12, 0.92
#: Charging takes this many hours from empty to full.
_CHARGE_H = 3.0


class Battery:
    """Charge in percent; current in A, out of the battery positive."""

    def __init__(self, spec: PowerSpec) -> None:
        self._spec = spec
        self.supply: Supply = spec.supply
        self._charge = spec.charge_percent

    @property
    def voltage_v(self) -> float:
        """Terminal voltage at the present charge."""
        share = self._charge / _FULL
        return self._spec.nominal_v * (_EMPTY_V + (_FULL_V - _EMPTY_V) * share)

    @property
    def current_a(self) -> float:
        """Current out of the battery; negative while it charges."""
        if self.supply == "battery":
            return self._spec.draw_w / self.voltage_v if self._charge > 0.0 else 0.0
        return -self._spec.capacity_ah / _CHARGE_H if self._charge < _FULL else 0.0

    @property
    def minutes_left(self) -> float:
        """How long it lasts at its draw from now on: the energy it holds over the power drawn."""
        share = self._charge / _FULL
        mean_v = self._spec.nominal_v * (_EMPTY_V + (_FULL_V - _EMPTY_V) * share / 2.0)
        return 60.0 * self._spec.capacity_ah * share * mean_v / self._spec.draw_w

    def run(self, seconds: float) -> None:
        """Let `seconds` pass."""
        used = self.current_a * seconds / _S_PER_H / self._spec.capacity_ah * _FULL
        self._charge = min(_FULL, max(0.0, self._charge - used))

    def values(self) -> dict[str, tuple[float, str]]:
        """Charge, voltage, current, capacity: value and UCUM unit by name."""
        return {
            "charge": (round(self._charge, 1), "%"),
            "voltage": (round(self.voltage_v, 2), "V"),
            "current": (round(self.current_a, 3), "A"),
            "capacity": (self._spec.capacity_ah, "A.h"),
        }
