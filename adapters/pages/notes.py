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

from adapters.sqlite.reading import StoreError, open_for_reading
from adapters.sqlite.store import store_file
from service.instants import to_text

#: Notes of the last day, the newest first.
_SHOWN_MS: Final = 24 * 3_600_000
_MOST: Final = 50


def notes_route(directory: Path) -> Route:
    """`GET /place/WARD/PLACE/notes`; `notes` is null where there is no store to read."""

    async def notes(request: Request) -> Response:
        ward, place = request.path_params["ward"], request.path_params["place"]
        try:
            found = await run_in_threadpool(read_notes, directory, ward, place)
        except (StoreError, sqlite3.Error):
            return JSONResponse({"notes": []})
        return JSONResponse({"notes": found})

    return Route("/place/{ward}/{place}/notes", notes)


def read_notes(directory: Path, ward: str, place: str) -> list[dict[str, Any]]:
    """Each with `at`, `by`, `text`, as received. Raises StoreError where there is no store."""
    database = open_for_reading(store_file(directory))
    try:
        since_ms = time.time_ns() // 1_000_000 - _SHOWN_MS
        rows = database.execute(
            """
            select m.received_ms, json_extract(m.payload, '$.by'),
                   json_extract(m.payload, '$.reason')
              from messages m join places p on p.id = m.place_id
             where p.ward = ? and p.place = ? and m.received_ms >= ? and m.kind = 'request'
               and json_extract(m.payload, '$.action') = 'note'
               and trim(coalesce(json_extract(m.payload, '$.reason'), '')) <> ''
             order by m.id desc limit ?
            """,
            [ward, place, since_ms, _MOST],
        ).fetchall()
    finally:
        database.close()
    return [{"at": to_text(at_ms), "by": by, "text": text} for at_ms, by, text in rows]
