"""The web application: pages, what they need, and the socket that keeps them live."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Final

from starlette.applications import Starlette
from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.responses import HTMLResponse
from starlette.routing import BaseRoute, Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from adapters.pages.live import Live
from adapters.pages.render import Render

_HOME: Final = Path(__file__).parent
#: Nothing leaves the machine, nothing is framed, nothing is guessed.
HEADERS: Final[Mapping[str, str]] = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "img-src 'self' data:; connect-src 'self'; base-uri 'self'; form-action 'self'; "
    "frame-ancestors 'none'",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    # With "no-referrer" a form would not say where it comes from, and be taken for a stranger's.
    "Referrer-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
    "Cache-Control": "no-store",
}


def site(
    live: Live,
    render: Render,
    gate: Callable[[ASGIApp], ASGIApp],
    further: Iterable[BaseRoute],
    on_place: Callable[[], None],
) -> ASGIApp:
    """The application behind a gate: the ward, each place, and `further` pages.

    `on_place` is called when somebody opens a place: soon they may ask why.
    """

    async def ward(request: Request) -> HTMLResponse:
        return render(request, "ward.html")

    async def wall(request: Request) -> HTMLResponse:
        return render(request, "wall.html")

    async def patient(request: Request) -> HTMLResponse:
        on_place()
        where = {name: request.path_params[name] for name in ("ward", "place")}
        return render(request, "patient.html", **where)

    async def missing(request: Request, _error: Exception) -> HTMLResponse:
        return render(request, "missing.html", 404, what=request.url.path, instead="ward")

    application = Starlette(
        exception_handlers={404: missing},
        routes=[
            Route("/", ward),
            Route("/wall", wall),
            Route("/place/{ward}/{place}", patient),
            WebSocketRoute("/live", live.ward),
            WebSocketRoute("/live/{ward}/{place}", live.patient),
            Mount("/static", StaticFiles(directory=_HOME / "static")),
            *further,
        ],
    )
    return _Strict(gate(application))


class _Strict:
    """Every answer carries the strict headers, unless it brings its own."""

    def __init__(self, inner: ASGIApp) -> None:
        self._inner = inner

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def send_strictly(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        await self._inner(scope, receive, send_strictly)
