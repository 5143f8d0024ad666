"""The process of the pages: broker in, browsers out, until it is told to stop."""

from __future__ import annotations

import asyncio
import signal
import time
from types import FrameType

import uvicorn
from starlette.routing import BaseRoute

from adapters.config import Config
from adapters.pages import past, reports, rules
from adapters.pages.asks import Asks
from adapters.pages.board import Board
from adapters.pages.feed import Feed
from adapters.pages.gate import Gate, login_routes
from adapters.pages.live import Live
from adapters.pages.past.beside import get_ready
from adapters.pages.people import Person, read_people
from adapters.pages.render import Render
from adapters.pages.sessions import Sessions
from adapters.pages.site import site

#: Open pages may hold up the end for so long (s).
_GOODBYE_S = 1
_DRAWN_S = 3.0


def serve_pages(config: Config) -> None:
    """Serve until SIGINT or SIGTERM. SystemExit when host and port cannot be had."""
    for number in (signal.SIGINT, signal.SIGTERM):
        # Uvicorn ends in order on these and then raises them again: that is no failure.
        signal.signal(number, _in_order)
    asyncio.run(_serve(config))


def _in_order(_number: int, _frame: FrameType | None) -> None:
    pass


async def _serve(config: Config) -> None:
    board, render = Board(), Render()
    sessions = Sessions(60.0 * config.pages.session_minutes, time.monotonic)

    def take(topic: str, payload: bytes, received_ms: int) -> None:
        board.take(topic, payload, received_ms)
        asks.take(topic, payload)

    def soon() -> None:
        """Not while the page that was just opened is drawn."""
        asyncio.get_running_loop().call_later(_DRAWN_S, get_ready)

    feed = Feed(config.broker_address(), take, asyncio.get_running_loop())
    asks = Asks(feed.publish)
    live = Live(board, feed)
    further: list[BaseRoute] = [
        asks.route(),
        *past.routes(render, config),
        *rules.routes(render, config),
        *reports.routes(render, config),
    ]
    everybody = None
    if config.pages.people is None:
        everybody = Person(config.pages.everyone, "team" if config.pages.everyone else "reader")
    else:
        people = read_people(config.pages.people)
        further += login_routes(render, people, sessions, secure=config.pages.https)
    server = uvicorn.Config(
        site(live, render, lambda inner: Gate(inner, sessions, everybody), further, soon),
        host=config.pages.host,
        port=config.pages.port,
        log_level="warning",
        server_header=False,
        ws="websockets-sansio",
        timeout_graceful_shutdown=_GOODBYE_S,
    )
    feed.open()
    try:
        async with live.running():
            await uvicorn.Server(server).serve()
    finally:
        feed.close()
