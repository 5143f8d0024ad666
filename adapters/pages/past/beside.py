"""Long answers are worked out beside the pages: the very commands of `tidewarden`, each in a
process of its own, behind everything else on the machine, one at a time, for so long at most, and
ended when nobody waits for it any more.

To start Python, read the program and read the rules takes seconds. So all that is done once, in a
server from which each of these processes is forked.
"""

from __future__ import annotations

import asyncio
import contextlib
import io
import multiprocessing
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import Final

#: A day of one place takes a few minutes; nobody looks at a page for longer than this.
LIMIT_S: Final = 120.0
_FORKED: Final = multiprocessing.get_context("forkserver")


class NoAnswerError(RuntimeError):
    """There is no answer; the text says why."""


class BusyError(NoAnswerError):
    """Another question is being answered."""


class TooLongError(NoAnswerError):
    """It was not worked out in time."""


def get_ready() -> None:
    """Let the server that all answers are forked from read what they need; does not wait for it."""
    _FORKED.set_forkserver_preload(["adapters.behind", "adapters.pages.past.warm"])
    from multiprocessing.forkserver import ensure_running  # noqa: PLC0415 (starts a process)

    ensure_running()


class Beside:
    """Works out one answer at a time."""

    def __init__(self, limit_s: float = LIMIT_S) -> None:
        self._limit_s = limit_s
        self._busy = False

    async def run(self, *asked: str) -> str:
        """What `tidewarden ASKED` prints; NoAnswerError for what it refuses."""
        if self._busy:
            raise BusyError
        self._busy = True
        get_ready()
        try:
            return await self._answer(asked)
        finally:
            self._busy = False

    async def _answer(self, asked: tuple[str, ...]) -> str:
        near, far = _FORKED.Pipe(duplex=False)
        process = _FORKED.Process(target=_work, args=(far, asked), daemon=True)
        try:
            # The server may still be reading: the pages must not wait for it.
            await asyncio.to_thread(process.start)
            far.close()
            code, said, refused = await asyncio.wait_for(_told(near), self._limit_s)
        except TimeoutError:
            raise TooLongError from None
        except EOFError:
            raise NoAnswerError(_in_words("")) from None
        finally:
            _end(process)
            near.close()
        if code != 0:
            raise NoAnswerError(_in_words(refused))
        return said


async def _told(near: Connection) -> tuple[int, str, str]:
    """What comes through; EOFError when the process ends without a word."""
    loop, there = asyncio.get_running_loop(), asyncio.Event()
    loop.add_reader(near.fileno(), there.set)
    try:
        await there.wait()
    finally:
        loop.remove_reader(near.fileno())
    code, said, refused = await asyncio.to_thread(near.recv)
    return code, said, refused


def _end(process: BaseProcess) -> None:
    if process.pid is not None:
        process.kill()
        process.join()


def _work(far: Connection, asked: tuple[str, ...]) -> None:
    """In the process: the command, and what it prints."""
    from adapters.behind import get_behind  # noqa: PLC0415 (makes way for others)
    from adapters.cli.main import main  # noqa: PLC0415 (the pages themselves need no commands)

    get_behind()
    said, refused = io.StringIO(), io.StringIO()
    code: str | int | None = 0
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(refused):
        try:
            main(list(asked), prog_name="tidewarden")
        except SystemExit as ended:
            code = ended.code
    far.send((code or 0, said.getvalue(), refused.getvalue()))


def _in_words(refused: str) -> str:
    """The last line of what a command says, without what only a command line needs."""
    line = refused.strip().splitlines()[-1] if refused.strip() else "it ended without a word"
    line = line.removeprefix("tidewarden: ").removeprefix("Error: ")
    return line.replace("--at", "at").replace("--from", "from")
