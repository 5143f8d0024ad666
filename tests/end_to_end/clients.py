"""MQTT clients around a service: one that publishes and keeps a ledger, one that observes."""

from __future__ import annotations

import json
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Self

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

IN_FLIGHT = 5000


def wait_for(what: Callable[[], object], seconds: float, why: str) -> None:
    """Wait until `what` is true; AssertionError with `why` when it does not come."""
    until = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < until, f"waited {seconds:g} s in vain: {why}"
        time.sleep(0.02)


@dataclass(slots=True)
class Received:
    """One message as an observer got it; `at` is seconds since 1970."""

    at: float
    topic: str
    payload: bytes
    retained: bool

    @property
    def kind(self) -> str:
        """The last part of the topic."""
        return self.topic.rsplit("/", 1)[1]

    @property
    def body(self) -> dict[str, Any]:
        """The payload as an object."""
        body: dict[str, Any] = json.loads(self.payload)
        return body


class Publisher:
    """Publishes at QoS 1, from one thread. `ledger` holds the key of each message published."""

    def __init__(self, port: int, name: str) -> None:
        self.ledger: list[object] = []
        self._open: dict[int, object] = {}
        self._kept: dict[object, float] = {}
        # The network thread holds locks of the client when it appends here: so no lock of ours.
        self._answers: deque[tuple[int, float]] = deque()
        self._client = paho.Client(CallbackAPIVersion.VERSION2, client_id=name, clean_session=False)
        self._client.max_inflight_messages_set(IN_FLIGHT)
        self._client.reconnect_delay_set(1, 1)
        self._client.on_publish = lambda _c, _u, mid, *_: self._answers.append(
            (mid, time.monotonic())
        )
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def publish(self, key: object, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Publish once; `key` stands in the ledger from now on."""
        self.acknowledged()
        self.ledger.append(key)
        info = self._client.publish(topic, payload, qos=1, retain=retain)
        self._open[info.mid] = key

    def acknowledged(self) -> dict[object, float]:
        """When the broker acknowledged which key, in monotonic seconds."""
        while self._answers:
            mid, at = self._answers.popleft()
            self._kept[self._open.pop(mid)] = at
        return self._kept

    def settle(self, seconds: float = 10.0) -> None:
        """Wait until the broker has acknowledged everything."""
        wait_for(
            lambda: len(self.acknowledged()) == len(self.ledger),
            seconds,
            "the broker acknowledges what was published",
        )

    def close(self) -> None:
        """End the connection in order."""
        self._client.disconnect()
        self._client.loop_stop()


@dataclass(slots=True)
class Observer:
    """Receives topics at QoS 1. With `lasting`, in a session of its own that outlives drops."""

    port: int
    topics: Sequence[str]
    name: str
    lasting: bool = False
    received: list[Received] = field(default_factory=list)
    _client: paho.Client = field(init=False)
    _ready: threading.Event = field(default_factory=threading.Event)

    def __post_init__(self) -> None:
        self._client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id=self.name, clean_session=not self.lasting
        )
        self._client.reconnect_delay_set(1, 1)
        self._client.on_connect = self._connected
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.on_message = self._message
        self._client.connect("127.0.0.1", self.port)
        self._client.loop_start()
        assert self._ready.wait(10), "the broker did not answer the subscription"

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def of(self, kind: str) -> list[Received]:
        """What came of one kind, in order."""
        return [message for message in list(self.received) if message.kind == kind]

    def wait(
        self, kind: str, holds: Callable[[dict[str, Any]], bool], seconds: float = 10.0
    ) -> dict[str, Any]:
        """The first message of this kind for which `holds` is true; waits for it."""

        def found() -> list[dict[str, Any]]:
            return [m.body for m in self.of(kind) if holds(m.body)]

        wait_for(found, seconds, f"a fitting message of kind {kind}")
        return found()[0]

    def close(self) -> None:
        """End the connection in order."""
        self._client.disconnect()
        self._client.loop_stop()

    def _connected(self, client: paho.Client, *_: object) -> None:
        client.subscribe([(topic, 1) for topic in self.topics])

    def _message(self, _client: object, _userdata: object, message: paho.MQTTMessage) -> None:
        self.received.append(
            Received(time.time(), message.topic, message.payload, bool(message.retain))
        )
