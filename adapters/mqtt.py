"""MQTT: readings in with acknowledgement only after they are safe, advisories out until received.

MQTT 3.1.1, QoS 1, a persistent session under a fixed client id. The network thread only notes the
time of receipt and queues; acknowledgements are sent by the service after its commit. A queue that
is full holds the network thread back, so the broker keeps what the service cannot yet take.
"""

from __future__ import annotations

import logging
import socket
import threading
import time
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from service.intake import Arrival
from service.messages import KINDS
from service.outbound import encode
from service.ports import Batch, Clock, Posting

log = logging.getLogger("tidewarden.mqtt")

QOS: Final = 1
KEEPALIVE_S: Final = 30
QUEUE_MESSAGES: Final = 20_000
#: Postings given to the client at once; the rest waits in the outbox.
MAX_IN_FLIGHT: Final = 500
#: A broker that is killed forgets what it acknowledged after it last saved (every two seconds, by
#: our configuration). So a posting counts as sent when the connection has held for this long after
#: its acknowledgement, and what is not yet sent is published again on a new connection.
SETTLED_S: Final = 3.0


@dataclass(frozen=True, slots=True)
class BrokerAddress:
    """Where the broker is and who we are there. `ca_file` turns TLS on."""

    host: str = "127.0.0.1"
    port: int = 1883
    client_id: str = "tidewarden"
    username: str | None = None
    password: str | None = None
    ca_file: Path | None = None


@dataclass(frozen=True, slots=True)
class _Receipt:
    """What is needed to acknowledge a message: its id, QoS, and the connection it came by."""

    mid: int
    qos: int
    connection: int


class MqttLink:
    """The service's connection to the broker: its inbox and its publisher."""

    def __init__(self, address: BrokerAddress, clock: Clock, instance: str, cycle_ms: int) -> None:
        self._clock = clock
        self._cycle_ms = cycle_ms
        self._address = address
        self._health_topic = f"tidewarden/1/service/{instance}/health"
        self._arrived: deque[tuple[Arrival, _Receipt]] = deque()
        self._room = threading.Condition()
        self._connection = 0
        self._closing = False
        self.connected = threading.Event()
        self._waiting: deque[Posting] = deque()
        self._in_flight: dict[int, Posting] = {}
        # Filled by the network thread, which may hold the client's own locks: so no lock here.
        self._acknowledged: deque[int] = deque()
        self._settling: deque[tuple[float, Posting]] = deque()
        self._settled_s = SETTLED_S
        self._posted_on = self._opened = 0
        self._client = self._make_client()

    def _make_client(self) -> paho.Client:
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._address.client_id,
            clean_session=False,
            protocol=paho.MQTTv311,
            manual_ack=True,
        )
        client.max_inflight_messages_set(MAX_IN_FLIGHT)
        client.reconnect_delay_set(min_delay=1, max_delay=10)
        if self._address.username is not None:
            client.username_pw_set(self._address.username, self._address.password)
        if self._address.ca_file is not None:
            client.tls_set(ca_certs=str(self._address.ca_file))
        gone = encode({"schema": 1, "status": "offline"})
        client.will_set(self._health_topic, gone, qos=QOS, retain=True)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        client.on_publish = self._on_publish
        client.on_socket_open = _no_delay
        return client

    def open(self) -> None:
        """Connect and keep connected; raises OSError when the broker cannot be reached now."""
        self._client.connect(self._address.host, self._address.port, keepalive=KEEPALIVE_S)
        self._client.loop_start()

    def close(self) -> None:
        """Say goodbye in order, so that the broker keeps the session and sends no will."""
        self._closing = True
        with self._room:
            self._room.notify_all()
        if self.connected.is_set():
            gone = encode({"schema": 1, "status": "offline"})
            self._client.publish(self._health_topic, gone, qos=QOS, retain=True).wait_for_publish(2)
        self._client.disconnect()
        self._client.loop_stop()

    # -- inbox ----------------------------------------------------------------------------

    def drain(self) -> Batch:
        """Everything received so far. Receipt is stamped under the same lock: nothing is late."""
        with self._room:
            closed_ms = self._clock.now_ms() // self._cycle_ms * self._cycle_ms
            taken: list[tuple[Arrival, _Receipt]] = []
            while self._arrived and self._arrived[0][0].received_ms < closed_ms:
                taken.append(self._arrived.popleft())
            self._room.notify_all()
        return Batch([a for a, _ in taken], [r for _, r in taken], closed_ms)

    def acknowledge(self, receipts: Sequence[object]) -> None:
        """Acknowledge what came by the present connection; the rest the broker sends again."""
        for receipt in receipts:
            if isinstance(receipt, _Receipt) and receipt.connection == self._connection:
                self._client.ack(receipt.mid, receipt.qos)

    @property
    def queued(self) -> int:
        """Messages received and not yet worked on."""
        return len(self._arrived)

    # -- publisher ------------------------------------------------------------------------

    def post(self, postings: Sequence[Posting]) -> None:
        """Publish at QoS 1, in order; what the client cannot take yet waits here."""
        self._waiting.extend(postings)
        self._pump()

    def sent(self) -> list[int]:
        """Postings that the broker acknowledged, and has had the time to save, since last time."""
        now_s = time.monotonic()
        while self._acknowledged:
            posting = self._in_flight.pop(self._acknowledged.popleft(), None)
            if posting is not None:
                self._settling.append((now_s, posting))
        self._post_again()
        self._pump()
        done: list[int] = []
        held = self.connected.is_set() or self._settled_s == 0.0
        while held and self._settling and self._settling[0][0] <= now_s - self._settled_s:
            done.append(self._settling.popleft()[1].number)
        return done

    def hand_over(self, seconds: float) -> None:
        """Give the broker this long to acknowledge all postings; from then on they are sent."""
        until_s = time.monotonic() + seconds
        while self._waiting or not self._in_flight.keys() <= set(self._acknowledged):
            self._pump()
            if time.monotonic() > until_s or not self.connected.is_set():
                break
            time.sleep(0.01)
        self._settled_s = 0.0

    def tell(self, topic: str, payload: bytes) -> None:
        """Publish at QoS 0; lost while disconnected."""
        if self.connected.is_set():
            self._client.publish(topic, payload, qos=0)

    def tell_health(self, payload: bytes) -> None:
        """Publish the retained health message."""
        if self.connected.is_set():
            self._client.publish(self._health_topic, payload, qos=0, retain=True)

    def _pump(self) -> None:
        while self._waiting and len(self._in_flight) < MAX_IN_FLIGHT:
            posting = self._waiting.popleft()
            info = self._client.publish(
                posting.topic, posting.payload, qos=QOS, retain=posting.retain
            )
            self._in_flight[info.mid] = posting

    def _post_again(self) -> None:
        """After a new connection: publish again, in order, what the broker may have forgotten."""
        opened = self._opened
        if opened == self._posted_on:
            return
        if self._posted_on:
            again = [posting for _, posting in self._settling]
            again.extend(self._in_flight.values())
            again.sort(key=lambda posting: posting.number, reverse=True)
            self._waiting.extendleft(again)
            self._settling.clear()
        self._posted_on = opened

    # -- callbacks, on the network thread ---------------------------------------------------

    def _on_connect(
        self,
        client: paho.Client,
        _userdata: Any,
        _flags: paho.ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            log.error("broker %s refused the connection: %s", self._address.host, reason)
            return
        self._connection += 1
        self._opened += 1
        client.subscribe([(f"tidewarden/1/+/+/{kind}", QOS) for kind in KINDS])
        self.connected.set()
        log.info("connected to broker %s:%s", self._address.host, self._address.port)

    def _on_disconnect(
        self,
        _client: paho.Client,
        _userdata: Any,
        _flags: paho.DisconnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self._connection += 1
        self.connected.clear()
        if not self._closing:
            log.warning("connection to broker lost (%s); trying again", reason)

    def _on_message(self, _client: paho.Client, _userdata: Any, message: paho.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "(topic is not UTF-8)"
        receipt = _Receipt(message.mid, message.qos, self._connection)
        with self._room:
            self._room.wait_for(lambda: len(self._arrived) < QUEUE_MESSAGES or self._closing)
            arrival = Arrival(self._clock.now_ms(), topic, bytes(message.payload))
            self._arrived.append((arrival, receipt))

    def _on_publish(
        self,
        _client: paho.Client,
        _userdata: Any,
        mid: int,
        _reason: ReasonCode,
        _properties: Properties,
    ) -> None:
        self._acknowledged.append(mid)


def _no_delay(_client: paho.Client, _userdata: Any, connection: Any) -> None:
    # Small packets must not wait for each other: it halves the delay from reading to advisory.
    if isinstance(connection, socket.socket):
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
