"""What all events of a simulated timeline share: checked, unchangeable, with words for people."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

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


class TimedEvent(Spec):
    """Something that happens `at_s` seconds from the start."""

    at_s: NotNegative

    def describe(self) -> str:
        """One line for people."""
        raise NotImplementedError


class RampEvent(TimedEvent):
    """A change that takes `over_s` seconds, in a straight line (0: at once)."""

    kind: str
    over_s: NotNegative = 0.0

    def lasting(self) -> str:
        return f" over {self.over_s:g} s" if self.over_s else ""
