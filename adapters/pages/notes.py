"""Notes that people wrote at a place, from the store."""

from __future__ import annotations

import sqlite3
import time
from pathlib import Path
from typing import Any, Final

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from adapters.sqlite.history import read_notes
from adapters.sqlite.reading import StoreError, open_for_reading
from adapters.sqlite.store import store_file

#: Notes of the last day, the newest first.
_SHOWN_MS: Final = 24 * 3_600_000
_MOST: Final = 50


def notes_route(directory: Path) -> Route:
    """`GET /place/WARD/PLACE/notes`; there are none where there is no store to read."""

    async def notes(request: Request) -> Response:
        place = f"{request.path_params['ward']}/{request.path_params['place']}"
        try:
            found = await run_in_threadpool(_notes, directory, place)
        except (StoreError, sqlite3.Error):
            return JSONResponse({"notes": []})
        return JSONResponse({"notes": found})

    return Route("/place/{ward}/{place}/notes", notes)


def _notes(directory: Path, place: str) -> list[dict[str, Any]]:
    now_ms = time.time_ns() // 1_000_000
    database = open_for_reading(store_file(directory))
    try:
        return read_notes(database, place, now_ms - _SHOWN_MS, now_ms)[: -_MOST - 1 : -1]
    finally:
        database.close()
