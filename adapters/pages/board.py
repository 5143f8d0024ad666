"""All places as they are seen now, and the heartbeat of the service that watches them."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Literal

from service import messages as wire
from service.glance import Card, Freshness, Seen, card_of, in_order
from service.glance.card import freshness
from service.messages import KINDS, RefusalError, parse

#: The service says every second that it lives: after this it is not watching any more.
WATCHING_MS: Final = 3_500

Watching = Literal["watching", "silent", "never"]


@dataclass(frozen=True, slots=True)
class Spoken:
    """That an advisory asked for attention just now."""

    place: str
    priority: str


@dataclass(slots=True)
class Board:
    """Everything that pages show. For one thread; times in ms since 1970 by this machine's clock.

    `changed` are the places of which something came, and `spoken` what asked for attention, since
    somebody last took them.
    """

    places: dict[str, Seen] = field(default_factory=dict)
    changed: set[str] = field(default_factory=set)
    spoken: list[Spoken] = field(default_factory=list)
    alive_ms: int | None = None
    health: Mapping[str, Any] = field(default_factory=dict)
    _freshness: dict[str, Freshness] = field(default_factory=dict)
    #: Called with the place and each block of a signal; None while nobody looks at any.
    on_wave: Callable[[str, wire.Waveform], None] | None = None

    def take(self, topic: str, payload: bytes, received_ms: int) -> None:
        """A message of the broker. What cannot be read is left to the service, which keeps it."""
        parts = topic.split("/")
        if len(parts) != 5:
            return
        _, _, ward, place, kind = parts
        if ward == "service":
            self._take_health(kind, payload, received_ms)
            return
        seen = self.places.setdefault(f"{ward}/{place}", Seen(f"{ward}/{place}"))
        if kind == "waveform" and self.on_wave is None:
            # That it came is all that matters.
            seen.reading_ms = max(received_ms, seen.reading_ms or 0)
        elif kind in KINDS:
            self._take_message(seen, kind, payload, received_ms)
        else:
            self._take_published(seen, kind, payload, received_ms)
        self.changed.add(seen.name)

    def _take_message(self, seen: Seen, kind: str, payload: bytes, received_ms: int) -> None:
        try:
            message = parse(kind, payload)
        except RefusalError:
            return
        seen.take(message, received_ms)
        if isinstance(message, wire.Waveform) and self.on_wave is not None:
            self.on_wave(seen.name, message)

    def _take_published(self, seen: Seen, kind: str, payload: bytes, received_ms: int) -> None:
        if kind == "standing":
            seen.take_standing(json.loads(payload), received_ms)
        elif kind == "advisory":
            body = json.loads(payload)
            if body.get("speaks") is True:
                self.spoken.append(Spoken(seen.name, str(body["priority"])))
        elif kind == "usual":
            seen.take_usual(json.loads(payload))
        elif kind == "derived":
            seen.take_derived(json.loads(payload), received_ms)

    def _take_health(self, kind: str, payload: bytes, received_ms: int) -> None:
        if kind != "health":
            return
        self.health = json.loads(payload)
        online = self.health.get("status") == "online"
        self.alive_ms = received_ms if online else None

    def watching(self, now_ms: int) -> Watching:
        """Whether the service watches: what was said before it fell silent may be over."""
        if not self.health:
            return "never"
        alive = self.alive_ms is not None and now_ms - self.alive_ms <= WATCHING_MS
        return "watching" if alive else "silent"

    def age(self, now_ms: int) -> None:
        """A place of which nothing comes any more has changed too: it needs somebody."""
        for name, seen in self.places.items():
            now = freshness(seen.reading_ms, now_ms)
            if self._freshness.get(name) != now:
                self._freshness[name] = now
                self.changed.add(name)

    def cards(self, now_ms: int, names: set[str] | None = None) -> list[Card]:
        """The cards of all places, or of these, those first that need somebody first."""
        wanted = self.places if names is None else names & self.places.keys()
        return in_order(card_of(self.places[name], now_ms) for name in wanted)
