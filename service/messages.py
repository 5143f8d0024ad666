"""The wire, version 1: every message that a device or a page may send, checked and converted.

Unknown keys are kept and counted, not refused. Quantities arrive as `{"value", "unit"}` with UCUM
units and leave here as plain numbers in the unit that `service.quantities` names.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, Final, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    ValidationInfo,
    field_validator,
    model_validator,
)

from rules.units import UnitError, check, converter
from service import instants
from service.quantities import MASS, NUMERICS, POWER, SETTINGS, WAVEFORMS, Measured

KINDS: Final = (
    "numerics",
    "waveform",
    "settings",
    "power",
    "patient",
    "journey",
    "request",
)
#: Kinds that a device publishes with the retain flag: they may be received long after `at`.
RETAINED_KINDS: Final = frozenset({"patient", "journey"})
MAX_PAYLOAD_BYTES: Final = 1_048_576
MAX_SEQ: Final = 2**53
#: Blocks of 0.25 to 2 s are asked for; up to this long they are still read.
LONGEST_BLOCK_S: Final = 4.0

_TOPIC: Final = re.compile(r"tidewarden/1/([\w.~-]{1,64})/([\w.~-]{1,64})/([a-z]{1,16})", re.ASCII)

Status = Literal["sensor-off", "warming-up", "out-of-range", "questionable"]
Name = Annotated[str, Field(min_length=1, max_length=80)]


class RefusalError(ValueError):
    """Why a message is refused, in words a device engineer can act on."""


def _to_instant(value: object) -> object:
    if not isinstance(value, str):
        raise ValueError("must be text: RFC 3339 in UTC, as 2026-11-25T13:00:00.250Z")
    return instants.from_text(value)


Instant = Annotated[int, BeforeValidator(_to_instant)]


def _whole_number(value: object) -> object:
    # To Python true and 1.0 are equal to 1; on the wire they are not.
    if type(value) is not int:
        raise ValueError("must be a whole number")
    return value


class _Wire(BaseModel):
    model_config = ConfigDict(
        extra="allow", strict=True, frozen=True, allow_inf_nan=False, populate_by_name=False
    )


class Quantity(_Wire):
    """A value with its UCUM unit, or no value and the reason why there is none."""

    value: float | None
    unit: Annotated[str, Field(max_length=40)] | None = None
    status: Status | None = None

    @model_validator(mode="after")
    def _value_or_reason(self) -> Quantity:
        if self.value is None and self.status is None:
            raise ValueError("a null value needs a status: sensor-off, warming-up or out-of-range")
        if self.value is not None and self.unit is None:
            raise ValueError("a value needs its UCUM unit, as mm[Hg]")
        return self

    @property
    def doubted(self) -> bool:
        """Whether its value is kept, but not used."""
        return self.status == "questionable"

    @property
    def usable(self) -> float | None:
        """What may be used of it."""
        return None if self.doubted else self.value


def _converted(quantity: Quantity, measured: Measured) -> Quantity:
    """The quantity in our unit; refuses other units and values no sensor can give."""
    if quantity.value is None:
        return quantity
    try:
        value = converter(quantity.unit or "", measured.unit)(quantity.value)
    except UnitError as error:
        raise ValueError(f"{error}; send {measured.unit} or a unit that converts to it") from None
    if not measured.low <= value <= measured.high:
        raise ValueError(
            f"{quantity.value:g} {quantity.unit} is outside what can be measured "
            f"({measured.low:g} to {measured.high:g} {measured.unit})"
        )
    return Quantity.model_construct(value=value, unit=measured.unit, status=quantity.status)


def _as(measured: Measured) -> AfterValidator:
    def convert(quantity: Quantity | None) -> Quantity | None:
        return None if quantity is None else _converted(quantity, measured)

    return AfterValidator(convert)


class Envelope(_Wire):
    """What every inbound message carries. `at` is milliseconds since 1970 once read."""

    schema_: Annotated[Literal[1], BeforeValidator(_whole_number)] = Field(alias="schema")
    device: Name
    epoch: Annotated[
        str,
        Field(max_length=80),
        BeforeValidator(
            lambda value: (
                str(value) if isinstance(value, int) and not isinstance(value, bool) else value
            )
        ),
    ]
    seq: Annotated[int, Field(ge=0, le=MAX_SEQ)]
    at: Instant


class Numerics(Envelope):
    """Single values of a monitor. Names that Tidewarden does not use are kept as they came."""

    values: dict[Name, Quantity]

    @field_validator("values")
    @classmethod
    def _convert(cls, values: dict[str, Quantity]) -> dict[str, Quantity]:
        converted = {}
        for name, quantity in values.items():
            try:
                if name in NUMERICS:
                    converted[name] = _converted(quantity, NUMERICS[name])
                else:
                    if quantity.unit is not None:
                        check(quantity.unit)
                    converted[name] = quantity
            except ValueError as error:
                raise ValueError(f"{name}: {error}") from None
        return converted


class Waveform(Envelope):
    """A block of samples; `at` is the time of the first. A lost sample is null."""

    channel: Literal["paw", "co2", "flow", "pleth"]
    unit: Annotated[str, Field(max_length=40)]
    rate_hz: Annotated[float, Field(ge=1.0, le=2000.0)]
    samples: Annotated[list[float | None], Field(min_length=1, max_length=8000)]

    @field_validator("samples")
    @classmethod
    def _convert(cls, samples: list[float | None], info: ValidationInfo) -> list[float | None]:
        rate_hz = info.data.get("rate_hz")
        if rate_hz is not None and len(samples) > LONGEST_BLOCK_S * rate_hz:
            raise ValueError(f"a block may hold at most {LONGEST_BLOCK_S:g} s; send 0.25 to 2 s")
        channel, unit = info.data.get("channel"), info.data.get("unit")
        if channel is None or unit is None:
            return samples
        measured = WAVEFORMS[channel]
        try:
            convert = converter(unit, measured.unit)
        except UnitError as error:
            raise ValueError(f"{error}; send {channel} in {measured.unit}") from None
        if unit != measured.unit:
            samples = [None if sample is None else convert(sample) for sample in samples]
        known = [sample for sample in samples if sample is not None]
        if known and not (measured.low <= min(known) and max(known) <= measured.high):
            worst = max(known, key=lambda one: max(measured.low - one, one - measured.high))
            raise ValueError(
                f"{worst:g} {measured.unit} is outside what can be measured "
                f"({measured.low:g} to {measured.high:g} {measured.unit})"
            )
        return samples

    @property
    def end_ms(self) -> float:
        """When the block's last sample interval ends, in device time."""
        return self.at + 1000.0 * len(self.samples) / self.rate_hz


class Settings(Envelope):
    """What is confirmed on the ventilator: sent at a change and every 60 s."""

    mode: Literal["controlled", "spontaneous", "standby"] | None = None
    pip_target: Annotated[Quantity | None, _as(SETTINGS["pip_target"])] = None
    te_set: Annotated[Quantity | None, _as(SETTINGS["te_set"])] = None
    fresh_gas_flow: Annotated[Quantity | None, _as(SETTINGS["fresh_gas_flow"])] = None
    peep_set: Annotated[Quantity | None, _as(SETTINGS["peep_set"])] = None
    circuit_compliance: Annotated[Quantity | None, _as(SETTINGS["circuit_compliance"])] = None
    apparatus_dead_space: Annotated[Quantity | None, _as(SETTINGS["apparatus_dead_space"])] = None


class Power(Envelope):
    """The supply and the battery of the ventilator."""

    supply: Literal["mains", "battery"]
    charge: Annotated[Quantity | None, _as(POWER["charge"])] = None
    voltage: Annotated[Quantity | None, _as(POWER["voltage"])] = None
    current: Annotated[Quantity | None, _as(POWER["current"])] = None
    capacity: Annotated[Quantity | None, _as(POWER["capacity"])] = None


class Patient(Envelope):
    """Who lies at the place."""

    patient: Name
    species: Name
    class_: Literal["mammal", "bird", "reptile", "amphibian"] = Field(alias="class")
    mass: Annotated[Quantity | None, _as(MASS)] = None
    phase: Literal["preparation", "induction", "maintenance", "weaning", "recovery", "transfer"]


Minutes = Annotated[float, Field(ge=0.0, le=10_000.0)]


class Journey(Envelope):
    """A planned journey on battery. `leaves_at` is milliseconds since 1970 once read."""

    from_: Name = Field(alias="from")
    to: Name
    leaves_at: Instant
    minutes: Minutes
    return_minutes: Minutes = 0.0
    margin_minutes: Minutes = 0.0


class Request(Envelope):
    """What a person asks of the service; answered on `reply`. `minutes` is how long a pause is."""

    id: Name
    by: Name
    action: Name
    target: Annotated[str, Field(max_length=80)] | None = None
    minutes: Annotated[float, Field(gt=0.0, le=10_000.0)] | None = None
    reason: Annotated[str, Field(max_length=500)] | None = None


Message = Numerics | Waveform | Settings | Power | Patient | Journey | Request

MODELS: Final[Mapping[str, type[Message]]] = {
    "numerics": Numerics,
    "waveform": Waveform,
    "settings": Settings,
    "power": Power,
    "patient": Patient,
    "journey": Journey,
    "request": Request,
}


def split_topic(topic: str) -> tuple[str, str, str]:
    """Ward, place and kind of an inbound topic; RefusalError when it is not one of ours."""
    match = _TOPIC.fullmatch(topic)
    if match is None:
        raise RefusalError("topic: expected tidewarden/1/WARD/PLACE/KIND with plain names")
    ward, place, kind = match.groups()
    if kind not in MODELS:
        raise RefusalError(f"topic: kind {kind!r} is not one of {', '.join(KINDS)}")
    return ward, place, kind


def _in_words(error: ValidationError) -> str:
    parts = []
    for problem in error.errors(include_url=False, include_context=False)[:3]:
        where = ".".join(str(part) for part in problem["loc"])
        what = problem["msg"].removeprefix("Value error, ")
        parts.append(f"{where}: {what}" if where else what)
    more = error.error_count() - len(parts)
    return "; ".join(parts) + (f"; and {more} more" if more > 0 else "")


def parse(kind: str, payload: bytes) -> Message:
    """The message in `payload` (JSON, UTF-8); RefusalError names the field and the fix."""
    if len(payload) > MAX_PAYLOAD_BYTES:
        raise RefusalError(
            f"payload: {len(payload)} bytes; at most {MAX_PAYLOAD_BYTES} are read. "
            "Send waveforms in blocks of 0.25 to 2 s"
        )
    if not payload:
        raise RefusalError("payload: empty; send a JSON object")
    try:
        return MODELS[kind].model_validate_json(payload)
    except ValidationError as error:
        raise RefusalError(_in_words(error)) from None
    except (ArithmeticError, AttributeError, LookupError, TypeError, RecursionError) as error:
        # A payload that trips our own reading is refused and kept like any other bad one.
        raise RefusalError(f"payload: cannot be read ({type(error).__name__})") from None


def extra_keys(message: Message) -> int:
    """How many keys of the message Tidewarden does not know (they are kept in the store)."""
    return len(message.model_extra or {})
