"""From the broker to the board: a subscriber of its own, which acknowledges nothing for others."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from typing import Any, Final

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from adapters.mqtt import BrokerAddress

_TOPICS: Final = ("tidewarden/1/+/+/+",)
_RETRY_S: Final = 1


class Feed:
    """Hands every message to `take` in the event loop, with the time of its receipt.

    `connected` is False while the broker cannot be reached.
    """

    def __init__(
        self,
        address: BrokerAddress,
        take: Callable[[str, bytes, int], None],
        loop: asyncio.AbstractEventLoop,
    ) -> None:
        self._take = take
        self._loop = loop
        self._address = address
        self.connected = False
        self._client = paho.Client(CallbackAPIVersion.VERSION2, client_id="", clean_session=True)
        if address.username is not None:
            self._client.username_pw_set(address.username, address.password)
        if address.ca_file is not None:
            self._client.tls_set(ca_certs=str(address.ca_file))
        self._client.reconnect_delay_set(_RETRY_S, _RETRY_S)
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_message = self._on_message

    def open(self) -> None:
        """Connect, now or as soon as the broker is there."""
        self._client.connect_async(self._address.host, self._address.port, keepalive=10)
        self._client.loop_start()

    def close(self) -> None:
        """End the connection."""
        self._client.disconnect()
        self._client.loop_stop()

    def publish(self, topic: str, payload: bytes) -> None:
        """Publish at QoS 1."""
        self._client.publish(topic, payload, qos=1)

    def _on_connect(self, client: paho.Client, *_: Any) -> None:
        client.subscribe([(topic, 0) for topic in _TOPICS])
        self.connected = True

    def _on_disconnect(self, *_: Any) -> None:
        self.connected = False

    def _on_message(self, _client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        received_ms = time.time_ns() // 1_000_000
        try:
            topic = message.topic
        except UnicodeDecodeError:
            return
        self._loop.call_soon_threadsafe(self._take, topic, bytes(message.payload), received_ms)
