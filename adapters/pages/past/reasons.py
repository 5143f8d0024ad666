"""Why, and why not: the very answer of `tidewarden why`."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from adapters.pages.past.beside import LIMIT_S, Beside


class Reasons:
    """Answers about one store, one at a time."""

    def __init__(self, store: Path, limit_s: float = LIMIT_S) -> None:
        self._store = store
        self._beside = Beside(limit_s)

    async def ask(self, place: str, rule: str | None, at: str | None) -> dict[str, Any]:
        """What `tidewarden why --json` prints; NoAnswerError for what it refuses."""
        asked = ["why", f"--store={self._store}", "--json"]
        asked += [f"--rule={rule}"] if rule else []
        asked += [f"--at={at}"] if at else []
        answer: dict[str, Any] = json.loads(await self._beside.run(*asked, "--", place))
        return answer
