"""The process of the pages: broker in, browsers out, until it is told to stop."""

from __future__ import annotations

import asyncio
import signal
from types import FrameType

import uvicorn

from adapters.mqtt import BrokerAddress
from adapters.pages.board import Board
from adapters.pages.feed import Feed
from adapters.pages.live import Live
from adapters.pages.site import site

#: Open pages may hold up the end for so long (s).
_GOODBYE_S = 1


def serve_pages(address: BrokerAddress, host: str, port: int) -> None:
    """Serve until SIGINT or SIGTERM. SystemExit when host and port cannot be had."""
    for number in (signal.SIGINT, signal.SIGTERM):
        # Uvicorn ends in order on these and then raises them again: that is no failure.
        signal.signal(number, _in_order)
    asyncio.run(_serve(address, host, port))


def _in_order(_number: int, _frame: FrameType | None) -> None:
    pass


async def _serve(address: BrokerAddress, host: str, port: int) -> None:
    board = Board()
    feed = Feed(address, board.take, asyncio.get_running_loop())
    live = Live(board, feed)
    config = uvicorn.Config(
        site(live),
        host=host,
        port=port,
        log_level="warning",
        server_header=False,
        ws="websockets-sansio",
        timeout_graceful_shutdown=_GOODBYE_S,
    )
    feed.open()
    try:
        async with live.running():
            await uvicorn.Server(config).serve()
    finally:
        feed.close()
