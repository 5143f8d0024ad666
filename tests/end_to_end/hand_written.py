"""Messages of one place, written by hand: a device that says what a test wants it to say."""

from __future__ import annotations

import json
import time
from typing import Any

from end_to_end.clients import Publisher

from service.instants import to_text


def quantity(value: float, unit: str) -> dict[str, Any]:
    """A quantity of the wire."""
    return {"value": value, "unit": unit}


class HandDevice:
    """One device at one place; numbers its messages as the wire wants it."""

    def __init__(self, publisher: Publisher, place: str = "hand/bay-1") -> None:
        self.place = place
        self.name = place.replace("/", "-")
        self._publisher = publisher
        self._seq = 0

    def send(self, kind: str, *, retain: bool = False, **body: Any) -> dict[str, Any]:
        """Publish one message now; returns its payload."""
        self._seq += 1
        payload = {
            "schema": 1,
            "device": self.name,
            "epoch": "1",
            "seq": self._seq,
            "at": to_text(time.time_ns() // 1_000_000),
            **body,
        }
        self.send_raw(kind, json.dumps(payload).encode(), retain=retain)
        return payload

    def send_raw(self, kind: str, payload: bytes, *, retain: bool = False) -> None:
        """Publish these very bytes."""
        key = (self.name, "1", self._seq)
        topic = f"tidewarden/1/{self.place}/{kind}"
        self._publisher.publish(key, topic, payload, retain=retain)

    def ask(self, identity: str, action: str, target: str | None = None) -> None:
        """Publish a request."""
        self.send("request", id=identity, by="nurse on duty", action=action, target=target)

    def plan_a_journey_on_a_weak_battery(self) -> None:
        """The battery has about 66 minutes (30 % of 2.2 Ah at 0.6 A); the journey needs 90."""
        self.send(
            "power",
            supply="battery",
            charge=quantity(30, "%"),
            current=quantity(0.6, "A"),
            capacity=quantity(2.2, "A.h"),
        )
        self.send(
            "journey",
            retain=True,
            **{"from": "recovery", "to": "imaging"},
            leaves_at=to_text(time.time_ns() // 1_000_000 + 900_000),
            minutes=35,
            return_minutes=35,
            margin_minutes=20,
        )
