"""What may happen at a simulated place: the events of a scenario's timeline.

Times are seconds from the start of the scenario. A factor is over the healthy value at the start,
not over the value of the moment.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

Positive = Annotated[float, Field(gt=0.0)]
NotNegative = Annotated[float, Field(ge=0.0)]
Mode = Literal["controlled", "spontaneous", "standby"]
Phase = Literal["preparation", "induction", "maintenance", "weaning", "recovery", "transfer"]
Supply = Literal["mains", "battery"]
Sensor = Literal["paw", "co2", "spo2", "pulse_rate", "temperature"]
Status = Literal["sensor-off", "warming-up", "out-of-range", "questionable"]


class Spec(BaseModel):
    """Base of all that a scenario file holds: no unknown keys, no infinities, unchangeable."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, allow_inf_nan=False, populate_by_name=True
    )


class _Event(Spec):
    at_s: NotNegative

    def describe(self) -> str:
        """One line for people."""
        raise NotImplementedError


class _Ramp(_Event):
    """A change that takes `over_s` seconds, in a straight line (0: at once)."""

    over_s: NotNegative = 0.0

    def _lasting(self) -> str:
        return f" over {self.over_s:g} s" if self.over_s else ""


class FactorEvent(_Ramp):
    """Compliance, resistance or perfusion becomes `factor` times its healthy value."""

    kind: Literal["compliance", "resistance", "perfusion"]
    factor: NotNegative

    @model_validator(mode="after")
    def _not_zero(self) -> FactorEvent:
        if self.factor == 0.0 and self.kind != "perfusion":
            raise ValueError(
                f"factor: a {self.kind} of zero is not a lung (for a blocked tube: kind occlude)"
            )
        return self

    def describe(self) -> str:
        """As `compliance x0.5 over 15 s`."""
        return f"{self.kind} x{self.factor:g}{self._lasting()}"


class LeakEvent(_Ramp):
    """The circuit leaks with this conductance."""

    kind: Literal["leak"]
    ml_per_s_per_cmh2o: NotNegative

    def describe(self) -> str:
        """As `leak of 1.2 mL/s per cmH2O over 60 s`."""
        return f"leak of {self.ml_per_s_per_cmh2o:g} mL/s per cmH2O{self._lasting()}"


class ConnectionEvent(_Event):
    """The circuit comes off or on, the tube closes or opens, the exhalation valve sticks or not."""

    kind: Literal[
        "disconnect", "reconnect", "occlude", "clear", "block-exhalation", "free-exhalation"
    ]

    def describe(self) -> str:
        """The kind in words."""
        return {
            "disconnect": "circuit disconnected",
            "reconnect": "circuit reconnected",
            "occlude": "tube occluded",
            "clear": "tube clear again",
            "block-exhalation": "exhalation blocked",
            "free-exhalation": "exhalation free again",
        }[self.kind]


class SettingsEvent(_Event):
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


class JourneyEvent(_Event):
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


class SupplyEvent(_Event):
    """The ventilator changes to mains or battery."""

    kind: Literal["supply"]
    supply: Supply

    def describe(self) -> str:
        """As `supply: battery`."""
        return f"supply: {self.supply}"


class SensorEvent(_Event):
    """A sensor goes off (its channel is null, its values carry `status`) or comes back."""

    kind: Literal["sensor-off", "sensor-on"]
    sensor: Sensor
    status: Status = "sensor-off"

    def describe(self) -> str:
        """As `sensor-off: spo2`."""
        return f"{self.kind}: {self.sensor}"


class SilentEvent(_Event):
    """The device says nothing for a while; with `lost` its messages are made but do not arrive."""

    kind: Literal["silent"]
    for_s: Positive
    lost: bool = False

    def describe(self) -> str:
        """As `device silent for 20 s`."""
        return f"device {'messages lost' if self.lost else 'silent'} for {self.for_s:g} s"


class RestartEvent(_Event):
    """The device starts anew: nothing is sent or ventilated for a while, then a new epoch."""

    kind: Literal["restart"]
    for_s: Positive = 4.0

    def describe(self) -> str:
        """As `device restarts, 4 s`."""
        return f"device restarts, {self.for_s:g} s"


class PhaseEvent(_Event):
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
    | PhaseEvent,
    Field(discriminator="kind"),
]
