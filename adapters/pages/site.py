"""The web application: pages, what they need, and the socket that keeps them live."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from starlette.applications import Starlette
from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.responses import HTMLResponse
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from adapters.pages.live import Live
from adapters.pages.texts import texts
from rules.notice import NOTICE
from service.glance.card import LATE_MS, SILENT_MS

_HOME: Final = Path(__file__).parent
#: Nothing leaves the machine, nothing is framed, nothing is guessed.
HEADERS: Final[Mapping[str, str]] = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "img-src 'self' data:; connect-src 'self'; base-uri 'self'; form-action 'self'; "
    "frame-ancestors 'none'",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "Cache-Control": "no-store",
}


def site(live: Live) -> ASGIApp:
    """The application. Read-only: it shows, and takes no request of anybody."""
    pages = Environment(
        loader=FileSystemLoader(_HOME / "templates"),
        autoescape=select_autoescape(),
        undefined=StrictUndefined,
    )
    pages.globals.update(t=texts().__getitem__, notice=NOTICE)

    settings = _script({"late_s": LATE_MS / 1000.0, "silent_s": SILENT_MS / 1000.0})
    pages.globals.update(words=_script(texts()), settings=settings)

    async def ward(request: Request) -> HTMLResponse:
        return HTMLResponse(pages.get_template("ward.html").render(base=str(request.base_url)))

    async def patient(request: Request) -> HTMLResponse:
        where = {name: request.path_params[name] for name in ("ward", "place")}
        page = pages.get_template("patient.html")
        return HTMLResponse(page.render(base=str(request.base_url), **where))

    application = Starlette(
        routes=[
            Route("/", ward),
            Route("/place/{ward}/{place}", patient),
            WebSocketRoute("/live", live.ward),
            WebSocketRoute("/live/{ward}/{place}", live.patient),
            Mount("/static", StaticFiles(directory=_HOME / "static")),
        ]
    )
    return _Strict(application)


def _script(value: Mapping[str, Any]) -> str:
    """JSON that cannot end the element it stands in."""
    return json.dumps(value, ensure_ascii=False).replace("<", "\\u003c")


class _Strict:
    """Every answer carries the strict headers; a socket is only taken from our own pages."""

    def __init__(self, inner: ASGIApp) -> None:
        self._inner = inner

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "websocket" and not _is_our_own(scope):
            await receive()
            await send({"type": "websocket.close", "code": 1008})
            return

        async def send_strictly(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
            await send(message)

        await self._inner(scope, receive, send_strictly)


def _is_our_own(scope: Scope) -> bool:
    """A page of another site may not listen in: browsers say where a page comes from."""
    headers = {name.decode().lower(): value.decode() for name, value in scope["headers"]}
    origin = headers.get("origin")
    return origin is None or origin.split("://", 1)[-1] == headers.get("host")
