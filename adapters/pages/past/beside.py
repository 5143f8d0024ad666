"""Long answers are worked out beside the pages: the very commands of `tidewarden`, as processes of
their own, behind everything else on the machine, one at a time, for so long at most, and ended when
nobody waits for them any more."""

from __future__ import annotations

import asyncio
import os
import sys
from typing import Final

#: A day of one place takes a few minutes; nobody looks at a page for longer than this.
LIMIT_S: Final = 120.0
_BEHIND: Final = 10


class NoAnswerError(RuntimeError):
    """There is no answer; the text says why."""


class BusyError(NoAnswerError):
    """Another question is being answered."""


class TooLongError(NoAnswerError):
    """It was not worked out in time."""


class Beside:
    """Works out one answer at a time."""

    def __init__(self, limit_s: float = LIMIT_S) -> None:
        self._limit_s = limit_s
        self._busy = False

    async def run(self, *asked: str) -> bytes:
        """What `tidewarden ASKED` prints; NoAnswerError for what it refuses."""
        if self._busy:
            raise BusyError
        self._busy = True
        try:
            return await self._answer(asked)
        finally:
            self._busy = False

    async def _answer(self, asked: tuple[str, ...]) -> bytes:
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "adapters.cli.main", *asked,
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
        )  # fmt: skip
        try:
            os.setpriority(os.PRIO_PROCESS, process.pid, _BEHIND)
            said, refused = await asyncio.wait_for(process.communicate(), self._limit_s)
        except TimeoutError:
            raise TooLongError from None
        finally:
            if process.returncode is None:
                process.kill()
                await process.wait()
        if process.returncode != 0:
            raise NoAnswerError(_in_words(refused.decode()))
        return said


def _in_words(refused: str) -> str:
    """The last line of what a command says, without what only a command line needs."""
    line = refused.strip().splitlines()[-1] if refused.strip() else "it ended without a word"
    line = line.removeprefix("tidewarden: ").removeprefix("Error: ")
    return line.replace("--at", "at").replace("--from", "from")
