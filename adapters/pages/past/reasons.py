"""Why, and why not: the very answer of `tidewarden why`, worked out beside the pages.

A long store takes long, so it is a process of its own, behind everything else on the machine: one
at a time, for so long at most, and ended when nobody waits for it any more.
"""

from __future__ import annotations

import asyncio
import json
import os
import sys
from pathlib import Path
from typing import Any, Final

#: A day of one place takes a few minutes; nobody looks at a page for longer than this.
LIMIT_S: Final = 120.0
_BEHIND: Final = 10


class ReasonsError(RuntimeError):
    """There is no answer; the text says why."""


class BusyError(ReasonsError):
    """Another question is being answered."""


class TooLongError(ReasonsError):
    """It was not worked out in time."""


class Reasons:
    """Answers about one store, one at a time."""

    def __init__(self, store: Path, limit_s: float = LIMIT_S) -> None:
        self._store = store
        self._limit_s = limit_s
        self._busy = False

    async def ask(self, place: str, rule: str | None, at: str | None) -> dict[str, Any]:
        """What `tidewarden why --json` prints; ReasonsError for what it refuses."""
        if self._busy:
            raise BusyError
        self._busy = True
        try:
            return await self._answer(place, rule, at)
        finally:
            self._busy = False

    async def _answer(self, place: str, rule: str | None, at: str | None) -> dict[str, Any]:
        asked = ["why", f"--store={self._store}", "--json"]
        asked += [f"--rule={rule}"] if rule else []
        asked += [f"--at={at}"] if at else []
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "adapters.cli.main", *asked, "--", place,
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
            raise ReasonsError(_in_words(refused.decode()))
        answer: dict[str, Any] = json.loads(said)
        return answer


def _in_words(refused: str) -> str:
    """The last line of what a command says, without what only a command line needs."""
    line = refused.strip().splitlines()[-1] if refused.strip() else "it ended without a word"
    return line.removeprefix("tidewarden: ").removeprefix("Error: ").replace("--at", "at")
