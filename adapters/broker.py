"""The embedded broker: for the demo on one machine only.

It speaks MQTT 3.1.1 and needs no installation, but it loses unacknowledged messages when a
subscriber is killed and keeps nothing on disk. For real use take Mosquitto with the configuration
in `adapters/mosquitto.conf`.
"""

from __future__ import annotations

import asyncio
import logging
import threading

from amqtt.broker import Broker

from adapters.tcp import free_port

START_S = 10.0


class EmbeddedBroker:
    """A broker on a free local port, on a thread of its own."""

    def __init__(self, host: str = "127.0.0.1", port: int | None = None) -> None:
        self.host = host
        self.port = port if port is not None else free_port(host)
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, name="embedded-broker", daemon=True)
        self._broker: Broker | None = None

    def start(self) -> None:
        """Start listening; raises OSError or TimeoutError when that fails."""
        # Its own log would run over the demo's screen.
        logging.getLogger("amqtt").setLevel(logging.CRITICAL)
        logging.getLogger("transitions").setLevel(logging.CRITICAL)
        self._thread.start()
        asyncio.run_coroutine_threadsafe(self._open(), self._loop).result(START_S)

    def stop(self) -> None:
        """Stop listening and end the thread."""
        if self._broker is not None:
            asyncio.run_coroutine_threadsafe(self._broker.shutdown(), self._loop).result(START_S)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(START_S)

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._loop.run_forever()
        self._loop.close()

    async def _open(self) -> None:
        listener = {"type": "tcp", "bind": f"{self.host}:{self.port}"}
        anonymous = {"allow_anonymous": True}
        self._broker = Broker(
            {
                "listeners": {"default": listener},
                "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": anonymous},
            }
        )
        await self._broker.start()
