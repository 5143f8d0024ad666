"""Messages moved in time: their receipt, and the times that they carry, by the same amount."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from typing import Any, Final

from service.instants import from_text, to_text
from service.intake import Arrival

_TIMES: Final = ("at", "leaves_at")


def shifted(arrivals: Iterable[Arrival], by_ms: int) -> Iterator[Arrival]:
    """The arrivals, `by_ms` later. What cannot be read is left as it is: it is refused anyway."""
    for arrival in arrivals:
        payload = arrival.payload
        try:
            body = json.loads(payload)
        except ValueError:
            body = None
        if isinstance(body, dict):
            text = json.dumps(moved(body, by_ms), separators=(",", ":"), ensure_ascii=False)
            payload = text.encode()
        yield Arrival(arrival.received_ms + by_ms, arrival.topic, payload)


def moved(body: Mapping[str, Any], by_ms: int) -> dict[str, Any]:
    """What a message says, with the times that it carries `by_ms` later."""
    return {key: _moved(key, value, by_ms) for key, value in body.items()}


def _moved(key: str, value: Any, by_ms: int) -> Any:
    if key not in _TIMES or not isinstance(value, str):
        return value
    try:
        return to_text(from_text(value) + by_ms)
    except ValueError:
        return value
