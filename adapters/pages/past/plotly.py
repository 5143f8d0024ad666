"""The drawing library, from its own package where it is installed."""

from __future__ import annotations

import importlib.util
from pathlib import Path

from starlette.requests import Request
from starlette.responses import FileResponse, Response

from adapters.texts import say


async def plotly(_request: Request) -> Response:
    """Its script, or that there is none."""
    path = plotly_file()
    if path is None:
        return Response(say("no_plots"), 404, media_type="text/plain")
    # Nothing of a patient is in it: it may be kept.
    kept = {"Cache-Control": "private, max-age=86400"}
    return FileResponse(path, media_type="text/javascript", headers=kept)


def plotly_file() -> Path | None:
    """Where its script lies; nothing of it is loaded for this."""
    found = importlib.util.find_spec("plotly")
    if found is None or not found.submodule_search_locations:
        return None
    path = Path(found.submodule_search_locations[0]) / "package_data" / "plotly.min.js"
    return path if path.is_file() else None
