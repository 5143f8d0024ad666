"""Intake: each arrival becomes an accepted message, a repeat, or a refusal with its reason.

Nothing is thrown away: a refusal keeps the whole payload. Intake is a pure function of its own
state and the arrival, so a replay judges each message as the live service did.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from typing import Final

from service import instants
from service.messages import RETAINED_KINDS, Message, RefusalError, extra_keys, parse, split_topic
from service.sequences import DeviceSequences

_HOUR_MS: Final = 3_600_000
#: A device clock may be this far from ours before its readings cannot be placed in time.
MAX_SKEW_MS: Final = 24 * _HOUR_MS
#: A retained message may have been published this long before it is received.
MAX_RETAINED_AGE_MS: Final = 366 * 24 * _HOUR_MS


@dataclass(frozen=True, slots=True)
class Arrival:
    """One message as received: our time of receipt, topic and payload."""

    received_ms: int
    topic: str
    payload: bytes


@dataclass(frozen=True, slots=True)
class Accepted:
    """A valid message, first seen. `late` when a later one of its device came before it.

    `newly_missing` is how many were lost just before it; -1 when it had been counted as lost.
    """

    number: int
    arrival: Arrival
    ward: str
    place: str
    kind: str
    message: Message
    late: bool
    newly_missing: int


@dataclass(frozen=True, slots=True)
class Refused:
    """A message that cannot be used, with its reason; ward and place where the topic had them."""

    number: int
    arrival: Arrival
    ward: str | None
    place: str | None
    reason: str


@dataclass(frozen=True, slots=True)
class Repeat:
    """A message that was accepted before (same device, epoch and sequence number)."""

    arrival: Arrival


@dataclass(slots=True)
class IntakeState:
    """What intake remembers; part of the service's checkpoint."""

    number: int = 0
    devices: dict[str, DeviceSequences] = field(default_factory=dict)
    refused: int = 0
    unknown_keys: int = 0


class Intake:
    """Judges arrivals. `places`, when given, are the only ones accepted, as `ward/place`."""

    def __init__(self, places: Collection[str] | None = None) -> None:
        self.state = IntakeState()
        self.accept(places)

    def accept(self, places: Collection[str] | None) -> None:
        """From now on accept these places only; None accepts any."""
        self._places = None if places is None else frozenset(places)

    def take(self, arrival: Arrival) -> Accepted | Refused | Repeat:
        """Judge one arrival. Accepted and refused ones get the next arrival number."""
        ward = place = None
        try:
            ward, place, kind = split_topic(arrival.topic)
            self._check_place(ward, place)
            message = parse(kind, arrival.payload)
            _check_time(kind, message, arrival.received_ms)
        except RefusalError as refusal:
            self.state.refused += 1
            return Refused(self._next(), arrival, ward, place, str(refusal))
        device = self.state.devices.setdefault(message.device, DeviceSequences())
        verdict = device.judge(message.epoch, message.seq, retained=kind in RETAINED_KINDS)
        if verdict.repeat:
            return Repeat(arrival)
        self.state.unknown_keys += extra_keys(message)
        return Accepted(
            number=self._next(),
            arrival=arrival,
            ward=ward,
            place=place,
            kind=kind,
            message=message,
            late=verdict.late,
            newly_missing=verdict.newly_missing,
        )

    def _next(self) -> int:
        self.state.number += 1
        return self.state.number

    def _check_place(self, ward: str, place: str) -> None:
        if self._places is not None and f"{ward}/{place}" not in self._places:
            raise RefusalError(
                f"topic: place {ward}/{place} is not in this service's configuration; "
                "add it under [places] or correct the device's topic"
            )


def _check_time(kind: str, message: Message, received_ms: int) -> None:
    behind_ms = received_ms - message.at
    allowed_ms = MAX_RETAINED_AGE_MS if kind in RETAINED_KINDS else MAX_SKEW_MS
    if behind_ms > allowed_ms or -behind_ms > MAX_SKEW_MS:
        side = "before" if behind_ms > 0 else "after"
        hours = abs(behind_ms) / _HOUR_MS
        raise RefusalError(
            f"at: {instants.to_text(message.at)} is {hours:,.0f} h {side} it was received; "
            "set the device's clock (UTC)"
        )
