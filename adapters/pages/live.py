"""What is pushed to open pages: changes at once, and once a second that all this still lives.

A page that cannot keep up loses what it missed, not its place: it is sent what changed since it
last took something.
"""

from __future__ import annotations

import asyncio
import json
import time
from collections import deque
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any, Final

from starlette.websockets import WebSocket, WebSocketDisconnect

from adapters.pages.board import Board, Spoken
from adapters.pages.feed import Feed
from adapters.pages.shown import card_body, patient_body, wave_body
from service.messages import Waveform

#: Changes are gathered for so long: nobody reads faster, and a burst costs one message.
GATHER_S: Final = 0.1
BEAT_S: Final = 1.0
#: Closes the socket of a page whose person has been logged out (a code that is free for us).
LOGGED_OUT: Final = 4401
#: Blocks of a signal that wait for a page that is slow; older ones are of no use to it.
_WAVES: Final = 40
#: What asked for attention while a page was slow; more at once nobody hears apart.
_SPOKEN: Final = 20


def now_ms() -> int:
    """This machine's clock, ms since 1970."""
    return time.time_ns() // 1_000_000


@dataclass(eq=False, slots=True)
class _Page:
    """An open page: of one place, or (None) of the ward; and what it has not heard yet."""

    place: str | None
    waiting: set[str] = field(default_factory=set)
    waves: deque[Waveform] = field(default_factory=lambda: deque(maxlen=_WAVES))
    spoken: deque[Spoken] = field(default_factory=lambda: deque(maxlen=_SPOKEN))
    wake: asyncio.Event = field(default_factory=asyncio.Event)
    beat: bool = True


class Live:
    """Tells all open pages what changes on the board."""

    def __init__(self, board: Board, feed: Feed) -> None:
        self._board = board
        self._feed = feed
        self._pages: set[_Page] = set()

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        """Tells while it is entered."""
        task = asyncio.create_task(self._run())
        try:
            yield
        finally:
            task.cancel()

    async def _run(self) -> None:
        beat_due = 0.0
        while True:
            self._board.age(now_ms())
            changed, self._board.changed = self._board.changed, set()
            spoken, self._board.spoken = self._board.spoken, []
            beat = time.monotonic() >= beat_due
            if beat:
                beat_due = time.monotonic() + BEAT_S
            for page in self._pages:
                page.waiting |= changed if page.place is None else changed & {page.place}
                page.spoken.extend(one for one in spoken if page.place in (None, one.place))
                page.beat |= beat
                if page.waiting or page.spoken or page.beat:
                    page.wake.set()
            await asyncio.sleep(GATHER_S)

    async def ward(self, socket: WebSocket) -> None:
        """A page of the ward, until it goes."""
        await self._serve(socket, _Page(None, waiting=set(self._board.places)))

    async def patient(self, socket: WebSocket) -> None:
        """A page of one place, until it goes."""
        place = f"{socket.path_params['ward']}/{socket.path_params['place']}"
        await self._serve(socket, _Page(place, waiting={place}))

    async def _serve(self, socket: WebSocket, page: _Page) -> None:
        await socket.accept()
        self._pages.add(page)
        self._listen()
        gone = asyncio.create_task(_until_gone(socket))
        # Who ends must not wait for a page until it would next have been told something.
        gone.add_done_callback(lambda _: page.wake.set())
        try:
            while True:
                await page.wake.wait()
                page.wake.clear()
                if gone.done():
                    break
                if not socket.scope["still_in"]():
                    await socket.close(LOGGED_OUT)
                    break
                await socket.send_text(json.dumps(self._news(page), separators=(",", ":")))
        except (WebSocketDisconnect, RuntimeError):
            pass  # It is gone: there is nobody to tell.
        finally:
            gone.cancel()
            self._pages.discard(page)
            self._listen()

    def _listen(self) -> None:
        """Signals are read only while somebody looks at one."""
        looked_at = any(page.place is not None for page in self._pages)
        self._board.on_wave = self._take_wave if looked_at else None

    def _take_wave(self, place: str, wave: Waveform) -> None:
        for page in self._pages:
            if page.place == place:
                page.waves.append(wave)

    def _news(self, page: _Page) -> dict[str, Any]:
        at_ms = now_ms()
        names, page.waiting, page.beat = page.waiting, set(), False
        news: dict[str, Any] = {
            "watching": self._board.watching(at_ms) if self._feed.connected else "unreachable",
        }
        if page.spoken:
            news["spoken"] = [one.priority for one in page.spoken]
            page.spoken.clear()
        if page.place is None:
            cards = self._board.cards(at_ms, names)
            return {**news, "cards": [card_body(card, at_ms) for card in cards]}
        waves = [wave_body(wave) for wave in page.waves]
        page.waves.clear()
        seen = self._board.places.get(page.place) if names else None
        return {**news, "waves": waves, **({} if seen is None else patient_body(seen, at_ms))}


async def _until_gone(socket: WebSocket) -> None:
    """Ends when the page closes. What it says on this socket means nothing."""
    try:
        while True:
            await socket.receive_text()
    except (WebSocketDisconnect, RuntimeError, KeyError):
        return
