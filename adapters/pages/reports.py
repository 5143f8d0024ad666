"""Reports from a folder, as `tidewarden rehearse --html` writes them: listed, and each shown.

A report is a page of its own that brings its scripts along. So it is shown in a sandbox: it may
run them, and reach nothing, neither these pages nor any other place.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import BaseRoute, Route

from adapters.config import Config
from adapters.pages.render import Render
from service.instants import to_text

HEADERS: Final[Mapping[str, str]] = {
    "Content-Security-Policy": "sandbox allow-scripts; default-src 'none'; "
    "script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data: blob:; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    # A page in a sandbox with a stricter policy here is not shown at all (HTML standard, 7.1.3).
    "Cross-Origin-Opener-Policy": "unsafe-none",
}


@dataclass(frozen=True, slots=True)
class Report:
    """An HTML file of the folder."""

    path: Path
    written_ms: int
    size_bytes: int

    @property
    def written_at(self) -> str:
        """When it was last written."""
        return to_text(self.written_ms)

    @property
    def size(self) -> str:
        """`340 kB`, `5.2 MB`."""
        kilo = self.size_bytes / 1000.0
        return f"{max(1.0, kilo):.0f} kB" if kilo < 1000.0 else f"{kilo / 1000.0:.1f} MB"


def routes(render: Render, config: Config) -> list[BaseRoute]:
    """The list of reports, and each of them."""
    folder = config.pages.reports

    async def listed(request: Request) -> Response:
        found = await run_in_threadpool(reports_in, folder) if folder is not None else []
        there = folder is not None and folder.is_dir()
        return render(request, "reports.html", folder=folder, there=there, reports=found)

    async def shown(request: Request) -> Response:
        name = request.path_params["file"]
        found = await run_in_threadpool(reports_in, folder) if folder is not None else []
        report = next((one for one in found if one.path.name == name), None)
        if report is None:
            return render(
                request, "missing.html", 404, here="reports", what=name, instead="reports"
            )
        return FileResponse(report.path.resolve(), media_type="text/html", headers=dict(HEADERS))

    return [Route("/reports", listed), Route("/reports/{file}", shown)]


def reports_in(folder: Path) -> list[Report]:
    """The HTML files that lie in the folder itself, newest first.

    Only what is listed is ever shown, so no name leads anywhere else; nor does a link that points
    out of the folder.
    """
    home = folder.resolve()
    found = []
    try:
        for path in folder.glob("*.html"):
            if path.is_file() and path.resolve().parent == home:
                about = path.stat()
                found.append(Report(path, about.st_mtime_ns // 1_000_000, about.st_size))
    except OSError:
        # It was taken away just now.
        return []
    return sorted(found, key=lambda report: (-report.written_ms, report.path.name))
