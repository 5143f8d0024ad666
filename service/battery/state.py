"""All that is remembered of one battery."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from service.battery.draw import Draw
from service.battery.estimate import Estimate
from service.battery.gauge import Gauge
from service.battery.learnt import Learnt
from service.battery.voltage import Voltage

_FULL: Final = 100.0


@dataclass(slots=True)
class Battery:
    """State after the newest report; `estimate` is what that report gave.

    `on_battery` is None before the first report. `per_minute` is the fall last seen on battery, in
    percent a minute; `charger_peak_a` and `full` say how the last charging went; `lags` that the
    gauge has fallen less than the current explains.
    """

    device: str = ""
    at_ms: int = 0
    on_battery: bool | None = None
    capacity_ah: float | None = None
    draw: Draw = field(default_factory=Draw)
    gauge: Gauge = field(default_factory=Gauge)
    voltage: Voltage = field(default_factory=Voltage)
    learnt: Learnt = field(default_factory=Learnt)
    per_minute: float | None = None
    charger_peak_a: float = 0.0
    full: bool = False
    lags: bool = False
    estimate: Estimate | None = None

    def points_per_ah(self) -> float | None:
        """Percent of the gauge that one Ah is; None where current or capacity is not known."""
        capacity_ah = self.learnt.capacity_ah(self.capacity_ah)
        if capacity_ah is None or not self.draw.known(self.at_ms):
            return None
        return _FULL / capacity_ah

    def begin_stretch(self) -> None:
        """On battery or on mains from now: what was counted before says nothing now."""
        self.draw.restart()
        self.gauge.restart()
        self.voltage = Voltage()
        self.lags = False
