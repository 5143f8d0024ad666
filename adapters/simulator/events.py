"""What may happen at a simulated place: the events of a scenario's timeline.

Times are seconds from the start of the scenario. A factor is over the healthy value at the start,
not over the value of the moment.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from adapters.simulator.disturbances import (
    ClockEvent,
    NoiseEvent,
    PushEvent,
    SensorFaultEvent,
    ShareEvent,
    SuctionEvent,
    TemperatureEvent,
)
from adapters.simulator.event_base import (
    Mode,
    NotNegative,
    Phase,
    Positive,
    RampEvent,
    Sensor,
    Spec,
    Status,
    Supply,
    TimedEvent,
)

__all__ = [
    "Event",
    "Mode",
    "NotNegative",
    "Phase",
    "Positive",
    "Sensor",
    "Spec",
    "Status",
    "Supply",
]


class FactorEvent(RampEvent):
    """Something becomes `factor` times its healthy value.

    `valve` is the resistance of the open exhalation valve, `fresh-gas` the flow that really comes
    over the flow that is set.
    """

    kind: Literal["compliance", "resistance", "perfusion", "valve", "fresh-gas"]
    factor: NotNegative

    @model_validator(mode="after")
    def _not_zero(self) -> FactorEvent:
        if self.factor == 0.0 and self.kind not in ("perfusion", "fresh-gas"):
            raise ValueError(
                f"factor: a {self.kind} of zero is not possible (for a blocked tube: kind occlude)"
            )
        return self

    def describe(self) -> str:
        """As `compliance x0.5 over 15 s`."""
        return f"{self.kind} x{self.factor:g}{self.lasting()}"


class LeakEvent(RampEvent):
    """The circuit leaks with this conductance."""

    kind: Literal["leak"]
    ml_per_s_per_cmh2o: NotNegative

    def describe(self) -> str:
        """As `leak of 1.2 mL/s per cmH2O over 60 s`."""
        return f"leak of {self.ml_per_s_per_cmh2o:g} mL/s per cmH2O{self.lasting()}"


class ConnectionEvent(TimedEvent):
    """The circuit comes off or on, the tube closes or opens, slips out or is put back, the
    exhalation valve sticks or not.
    """

    kind: Literal[
        "disconnect",
        "reconnect",
        "occlude",
        "clear",
        "extubate",
        "reintubate",
        "block-exhalation",
        "free-exhalation",
    ]

    def describe(self) -> str:
        """The kind in words."""
        return {
            "disconnect": "circuit disconnected",
            "reconnect": "circuit reconnected",
            "occlude": "tube occluded",
            "clear": "tube clear again",
            "extubate": "tube slipped out",
            "reintubate": "tube back in place",
            "block-exhalation": "exhalation blocked",
            "free-exhalation": "exhalation free again",
        }[self.kind]


class SettingsEvent(TimedEvent):
    """The team changes settings of the ventilator; what is not given stays."""

    kind: Literal["settings"]
    mode: Mode | None = None
    pip_target_cmh2o: Positive | None = None
    te_set_s: Positive | None = None
    fresh_gas_flow_ml_per_min: Positive | None = None

    @model_validator(mode="after")
    def _something(self) -> SettingsEvent:
        if not self.changes():
            raise ValueError(
                "settings: give at least one of mode, pip_target_cmh2o, te_set_s, "
                "fresh_gas_flow_ml_per_min"
            )
        return self

    def changes(self) -> dict[str, float | str]:
        """The settings that are given, by name."""
        names = ("mode", "pip_target_cmh2o", "te_set_s", "fresh_gas_flow_ml_per_min")
        given = ((name, getattr(self, name)) for name in names)
        return {name: value for name, value in given if value is not None}

    def describe(self) -> str:
        """As `settings: te_set_s 4.2`."""
        return "settings: " + ", ".join(f"{k} {v}" for k, v in self.changes().items())


class JourneyEvent(TimedEvent):
    """A journey on battery is planned."""

    kind: Literal["journey"]
    from_: str = Field(alias="from", min_length=1)
    to: str = Field(min_length=1)
    leaves_in_min: NotNegative
    minutes: NotNegative
    return_minutes: NotNegative = 0.0
    margin_minutes: NotNegative = 0.0

    def describe(self) -> str:
        """Where to and how long."""
        needed = self.minutes + self.return_minutes + self.margin_minutes
        return f"journey planned: {self.from_} to {self.to}, {needed:g} min with return and margin"


class SupplyEvent(TimedEvent):
    """The ventilator changes to mains or battery."""

    kind: Literal["supply"]
    supply: Supply

    def describe(self) -> str:
        """As `supply: battery`."""
        return f"supply: {self.supply}"


class SensorEvent(TimedEvent):
    """A sensor goes off (its channel is null, its values carry `status`) or comes back."""

    kind: Literal["sensor-off", "sensor-on"]
    sensor: Sensor
    status: Status = "sensor-off"

    def describe(self) -> str:
        """As `sensor-off: spo2`."""
        return f"{self.kind}: {self.sensor}"


class SilentEvent(TimedEvent):
    """The device says nothing for a while; with `lost` its messages are made but do not arrive.

    With `only`, that is so of one kind of message, and all others come.
    """

    kind: Literal["silent"]
    for_s: Positive
    lost: bool = False
    only: Literal["waveform", "numerics", "settings", "power"] | None = None

    def describe(self) -> str:
        """As `device silent for 20 s`."""
        what = f" on {self.only}" if self.only else ""
        return f"device {'messages lost' if self.lost else 'silent'}{what} for {self.for_s:g} s"


class RestartEvent(TimedEvent):
    """The device starts anew: nothing is sent or ventilated for a while, then a new epoch."""

    kind: Literal["restart"]
    for_s: Positive = 4.0

    def describe(self) -> str:
        """As `device restarts, 4 s`."""
        return f"device restarts, {self.for_s:g} s"


class PhaseEvent(TimedEvent):
    """The anaesthetic enters another phase."""

    kind: Literal["phase"]
    phase: Phase

    def describe(self) -> str:
        """As `phase: weaning`."""
        return f"phase: {self.phase}"


Event = Annotated[
    FactorEvent
    | LeakEvent
    | ConnectionEvent
    | SettingsEvent
    | JourneyEvent
    | SupplyEvent
    | SensorEvent
    | SilentEvent
    | RestartEvent
    | PhaseEvent
    | ShareEvent
    | TemperatureEvent
    | SuctionEvent
    | PushEvent
    | NoiseEvent
    | SensorFaultEvent
    | ClockEvent,
    Field(discriminator="kind"),
]
