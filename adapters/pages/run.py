"""The process of the pages: broker in, browsers out, until it is told to stop."""

from __future__ import annotations

import asyncio
import signal
from types import FrameType

import uvicorn

from adapters.config import Config
from adapters.pages import past
from adapters.pages.board import Board
from adapters.pages.feed import Feed
from adapters.pages.live import Live
from adapters.pages.render import Render
from adapters.pages.site import site

#: Open pages may hold up the end for so long (s).
_GOODBYE_S = 1


def serve_pages(config: Config) -> None:
    """Serve until SIGINT or SIGTERM. SystemExit when host and port cannot be had."""
    for number in (signal.SIGINT, signal.SIGTERM):
        # Uvicorn ends in order on these and then raises them again: that is no failure.
        signal.signal(number, _in_order)
    asyncio.run(_serve(config))


def _in_order(_number: int, _frame: FrameType | None) -> None:
    pass


async def _serve(config: Config) -> None:
    board = Board()
    feed = Feed(config.broker_address(), board.take, asyncio.get_running_loop())
    live = Live(board, feed)
    render = Render()
    server = uvicorn.Config(
        site(live, render, past.routes(render, config)),
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
