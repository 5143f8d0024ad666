"""A page that waits for an answer which is worked out beside it."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from typing import Final, TypeVar

from starlette.requests import Request

from adapters.pages.past.beside import BusyError, NoAnswerError, TooLongError
from adapters.texts import say

T = TypeVar("T")
_WANTED_EVERY_S: Final = 0.5
_BAD_REQUEST, _BUSY, _TOO_LONG = 400, 503, 504


def refused(error: NoAnswerError) -> tuple[str, int]:
    """What to say of it, and how a browser is told."""
    if isinstance(error, BusyError):
        return say("beside_busy"), _BUSY
    if isinstance(error, TooLongError):
        return say("beside_too_long"), _TOO_LONG
    return str(error), _BAD_REQUEST


async def while_wanted(request: Request, asking: Coroutine[object, object, T]) -> T:
    """The answer; who has left the page waits for none, and keeps nobody else waiting."""
    task = asyncio.create_task(asking)
    while not task.done():
        await asyncio.wait({task}, timeout=_WANTED_EVERY_S)
        if await request.is_disconnected():
            task.cancel()
    return await task
