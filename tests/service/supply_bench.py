"""A ventilator on a battery that is known exactly, for the tests of the estimate."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import pytest

from service.battery.estimate import Estimate
from service.battery.report import Report
from service.battery.state import Battery
from service.supply import follow

START_MS = 1_795_611_600_000
CAPACITY_AH = 2.2
EVERY_S = 10.0


def whole(percent: float) -> float:
    """What a gauge of whole percents shows."""
    return float(round(min(100.0, max(0.0, percent))))


@dataclass
class Ventilator:
    """Draws from a battery that holds `holds_ah` when full and tells of it every 10 s.

    `gauge` turns the true charge in percent into what is shown; None shows nothing. What is not
    sent is None. Voltage falls evenly from 12.4 V to 10.6 V, and in the last tenth to 8.4 V;
    `lift_v` more, or `flat_v` all along.
    """

    holds_ah: float = CAPACITY_AH
    states_ah: float | None = CAPACITY_AH
    charge: float = 100.0
    current_a: float = 0.44
    gauge: Callable[[float], float | None] = whole
    sends_current: bool = True
    sign: float = 1.0
    sends_voltage: bool = False
    lift_v: float = 0.0
    flat_v: float | None = None
    device: str = "ventilator"
    now_s: float = 0.0
    supply: str = "battery"
    battery: Battery = field(default_factory=Battery)

    @property
    def truth(self) -> float:
        """Minutes until it is empty."""
        return 60.0 * self.charge / 100.0 * self.holds_ah / self.current_a

    @property
    def voltage_v(self) -> float:
        """At the present charge."""
        if self.flat_v is not None:
            return self.flat_v
        even = 10.6 + 1.8 * self.charge / 100.0 + self.lift_v
        return even - max(0.0, 10.0 - self.charge) * 0.22

    def report(self) -> Estimate:
        """Tell of the battery now."""
        self.battery = follow(
            self.battery,
            Report(
                START_MS + round(1000.0 * self.now_s),
                self.supply == "battery",
                self.gauge(self.charge),
                self.sign * self.current_a if self.sends_current else None,
                self.voltage_v if self.sends_voltage else None,
                self.states_ah,
                self.device,
            ).usable(),
        )
        made = self.battery.estimate
        assert made is not None
        return made

    def run(self, minutes: float, every_s: float = EVERY_S) -> Estimate:
        """Go on for so long, and tell of it all the while; returns what came last."""
        made = self.report()
        for _ in range(round(60.0 * minutes / every_s)):
            self.pass_time(every_s)
            made = self.report()
        return made

    def pass_time(self, seconds: float) -> None:
        """Time passes without a report."""
        self.now_s += seconds
        if self.supply == "battery":
            used = 100.0 * self.current_a * seconds / 3600.0 / self.holds_ah
            self.charge = max(0.0, self.charge - used)


def known(made: Estimate) -> tuple[float, float, float]:
    """Low end, minutes and high end; they must be known."""
    assert made.low is not None
    assert made.minutes is not None
    assert made.high is not None
    assert 0.0 <= made.low <= made.minutes <= made.high
    return made.low, made.minutes, made.high


def close_to(minutes: float) -> object:
    """Within what an estimate may be off: 15 % of what is left or 5 min."""
    return pytest.approx(minutes, abs=max(5.0, 0.15 * minutes))


def run_down(ventilator: Ventilator) -> list[tuple[float, Estimate]]:
    """Truth and estimate at every report until it is empty."""
    said = [(ventilator.truth, ventilator.report())]
    while ventilator.charge > 0.0:
        ventilator.pass_time(10.0)
        said.append((ventilator.truth, ventilator.report()))
    return said


def warned_at(said: list[tuple[float, Estimate]], minutes: float) -> float:
    """What was truly left when the low end first passed `minutes`."""
    return next(truth for truth, made in said if made.low is not None and made.low < minutes)
