"""Events of gas, temperature, hands and sensors: what a theatre does to a patient and a signal."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from adapters.simulator.event_base import NotNegative, Positive, RampEvent, Sensor, TimedEvent


class ShareEvent(RampEvent):
    """A share of something becomes `share`, from 0 to 1.

    `rebreathing`: of the gas breathed in, the share that was breathed out before. `dilution`: of
    the gas that the CO2 analyser draws, the share that is none of the animal's. `shunt`: of the
    blood, the share that passes the lung unaired, over the little that always does.
    `inspired-oxygen`: the share of oxygen in the fresh gas.
    """

    kind: Literal["rebreathing", "dilution", "shunt", "inspired-oxygen"]
    share: Annotated[float, Field(ge=0.0, le=1.0)]

    def describe(self) -> str:
        """As `shunt 0.3 over 20 s`."""
        return f"{self.kind} {self.share:g}{self.lasting()}"


class TemperatureEvent(RampEvent):
    """The body temperature moves to `change_c` from where it began."""

    kind: Literal["temperature"]
    change_c: Annotated[float, Field(ge=-20.0, le=10.0)]

    def describe(self) -> str:
        """As `temperature -2 C over 180 s`."""
        return f"temperature {self.change_c:+g} C{self.lasting()}"


class SuctionEvent(TimedEvent):
    """A suction catheter draws gas from the circuit."""

    kind: Literal["suction"]
    ml_per_s: Positive
    for_s: Positive

    def describe(self) -> str:
        """As `suction of 12 mL/s for 3 s`."""
        return f"suction of {self.ml_per_s:g} mL/s for {self.for_s:g} s"


class PushEvent(TimedEvent):
    """The chest is pushed together, by a cough or by an arm: pressure swells and goes as a half
    sine.
    """

    kind: Literal["push"]
    cmh2o: Positive
    for_s: Positive

    def describe(self) -> str:
        """As `chest pushed, 10 cmH2O for 0.3 s`."""
        return f"chest pushed, {self.cmh2o:g} cmH2O for {self.for_s:g} s"


class NoiseEvent(TimedEvent):
    """Noise is added to waveforms (standard deviations), as by cautery or a shaken tube."""

    kind: Literal["noise"]
    for_s: Positive
    paw_cmh2o: NotNegative = 0.0
    co2_mmhg: NotNegative = 0.0

    def describe(self) -> str:
        """As `noise on the signals for 4 s`."""
        return f"noise on the signals for {self.for_s:g} s"


class SensorFaultEvent(TimedEvent):
    """A sensor goes on sending what is not so: the last value, or nothing but its zero.

    `sensor-on` mends it.
    """

    kind: Literal["sensor-frozen", "sensor-zero"]
    sensor: Literal["paw", "co2"]

    def describe(self) -> str:
        """As `sensor-frozen: co2`."""
        return f"{self.kind}: {self.sensor}"


class ClockEvent(TimedEvent):
    """The device's clock leaps to `ahead_s` seconds ahead of true time (behind when negative)."""

    kind: Literal["clock"]
    ahead_s: float

    def describe(self) -> str:
        """As `clock +40 s`."""
        return f"clock {self.ahead_s:+g} s"


__all__ = [
    "ClockEvent",
    "NoiseEvent",
    "PushEvent",
    "Sensor",
    "SensorFaultEvent",
    "ShareEvent",
    "SuctionEvent",
    "TemperatureEvent",
]
