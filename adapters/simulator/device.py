"""The device's side of the wire: envelope, epoch, sequence, and being silent."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from service import instants
from service.intake import Arrival

#: Kinds that a broker keeps for whoever comes later.
_RETAINED = frozenset({"patient", "journey"})


@dataclass(frozen=True, slots=True)
class Sent:
    """A message as the device sends it: when (ms since 1970), where, what, and whether retained."""

    at_ms: int
    topic: str
    payload: dict[str, Any]
    retain: bool

    def arrival(self) -> Arrival:
        """As it is received: at once, and as bytes."""
        text = json.dumps(self.payload, separators=(",", ":"), ensure_ascii=False)
        return Arrival(self.at_ms, self.topic, text.encode())


def quantity(value: float, unit: str) -> dict[str, Any]:
    """A quantity of the wire."""
    return {"value": value, "unit": unit}


class Device:
    """One monitor-ventilator. Counts its messages over all kinds, anew at each start."""

    def __init__(self, name: str, ward: str, place: str, start_ms: int) -> None:
        self._name = name
        self._topic = f"tidewarden/1/{ward}/{place}"
        self._start_ms = start_ms
        self._starts = 1
        self._seq = 0
        # Until when nothing of a kind is made, or arrives; None stands for all kinds.
        self._silent_until: dict[str | None, int] = {}
        self._lost_until: dict[str | None, int] = {}
        self._outbox: list[Sent] = []
        #: How far the device's clock is ahead of true time, in ms.
        self.clock_ahead_ms = 0

    def restart(self) -> None:
        """A new epoch, counted from 1."""
        self._starts += 1
        self._seq = 0

    def be_silent(self, until_ms: int, *, lost: bool, only: str | None = None) -> None:
        """Send nothing before `until_ms` (from the start); `lost` messages are counted.

        With `only`, nothing of this kind.
        """
        (self._lost_until if lost else self._silent_until)[only] = until_ms

    def instant(self, ms: float) -> str:
        """RFC 3339 text of a time from the start."""
        return instants.to_text(self._start_ms + self.clock_ahead_ms + round(ms))

    def send(
        self, now_ms: int, kind: str, body: dict[str, Any], at_ms: float | None = None
    ) -> None:
        """Send a message now; `at_ms` is its `at` when that is not now (from the start)."""
        if _is_before(now_ms, self._silent_until, kind):
            return
        self._seq += 1
        if _is_before(now_ms, self._lost_until, kind):
            return
        payload = {
            "schema": 1,
            "device": self._name,
            "epoch": f"{self._start_ms}-{self._starts}",
            "seq": self._seq,
            "at": self.instant(now_ms if at_ms is None else at_ms),
            **body,
        }
        topic = f"{self._topic}/{kind}"
        self._outbox.append(Sent(self._start_ms + now_ms, topic, payload, kind in _RETAINED))

    def collect(self) -> list[Sent]:
        """What was sent since the last time, in order."""
        sent, self._outbox = self._outbox, []
        return sent


def _is_before(now_ms: int, until_ms: dict[str | None, int], kind: str) -> bool:
    return any(now_ms < until_ms.get(what, now_ms) for what in (None, kind))
