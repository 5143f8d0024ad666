"""The gate: who is not logged in sees the login alone, and nobody asks from another site."""

from __future__ import annotations

from collections.abc import Sequence
from http import HTTPStatus
from typing import Any, Final
from urllib.parse import parse_qs, quote, urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.requests import HTTPConnection, Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Route
from starlette.types import ASGIApp, Receive, Scope, Send

from adapters.pages.people import People, Person
from adapters.pages.render import Render
from adapters.pages.sessions import Sessions

COOKIE: Final = "tidewarden-session"
#: What has to be there before anybody has logged in.
_OPEN: Final = ("/login", "/static/")
_LONGEST_FORM: Final = 4096
_THIS_MACHINE: Final = ("127.0.0.1", "::1", "localhost")


class Gate:
    """Lets in who is logged in; `scope["person"]` says who that is.

    `everybody` is set where nobody has to log in.
    """

    def __init__(self, inner: ASGIApp, sessions: Sessions, everybody: Person | None) -> None:
        self._inner = inner
        self._sessions = sessions
        self._everybody = everybody

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self._inner(scope, receive, send)
            return
        connection = HTTPConnection(scope)
        if not (_is_our_own(connection) and self._may_be_reached_as(connection.url.hostname)):
            await _refuse(scope, receive, send, HTTPStatus.FORBIDDEN)
            return
        token = connection.cookies.get(COOKIE)
        person = self._everybody or self._find(connection, token)
        path = connection.url.path
        scope["person"], scope["session"] = person, None if self._everybody else token
        scope["still_in"] = lambda: self._everybody or self._sessions.person(token)
        if person is not None or path.startswith(_OPEN):
            await self._inner(scope, receive, send)
        elif scope["type"] == "http" and _is_a_page(connection):
            answer = RedirectResponse(f"/login?next={quote(path)}", HTTPStatus.SEE_OTHER)
            await answer(scope, receive, send)
        else:
            await _refuse(scope, receive, send, HTTPStatus.UNAUTHORIZED)

    def _find(self, connection: HTTPConnection, token: str | None) -> Person | None:
        """Who it is. What a page fetches by itself does not mean that somebody is there."""
        scope = connection.scope
        by_hand = scope["type"] == "http" and (scope["method"] == "POST" or _is_a_page(connection))
        return (self._sessions.use if by_hand else self._sessions.person)(token)

    def _may_be_reached_as(self, hostname: str | None) -> bool:
        """Where nobody logs in, a name on the web that leads to this machine opens nothing."""
        return self._everybody is None or hostname in _THIS_MACHINE


def _is_a_page(connection: HTTPConnection) -> bool:
    return "text/html" in connection.headers.get("accept", "")


def _is_our_own(connection: HTTPConnection) -> bool:
    """A page of another site may neither listen nor ask: browsers say where a request comes from.

    What only looks, a plain GET, may come from a link anywhere.
    """
    if connection.scope["type"] == "http" and connection.scope["method"] in ("GET", "HEAD"):
        return True
    origin = connection.headers.get("origin")
    return origin is None or urlsplit(origin).netloc == connection.headers.get("host")


async def _refuse(scope: Scope, receive: Receive, send: Send, status: HTTPStatus) -> None:
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": 1008})
    else:
        await JSONResponse({"error": status.phrase}, status)(scope, receive, send)


def person_of(connection: HTTPConnection) -> Person:
    """Who asks, as the gate has found."""
    person: Person = connection.scope["person"]
    return person


def login_routes(
    render: Render, people: People, sessions: Sessions, *, secure: bool
) -> Sequence[BaseRoute]:
    """Log in, log out, and 'I am still here'. `secure`: the cookie travels by HTTPS alone."""

    async def ask(request: Request) -> Response:
        return render(request, "login.html", next=_safe(request.query_params.get("next")), wrong="")

    async def log_in(request: Request) -> Response:
        form = await _form(request)
        name, onward = form.get("name", ""), _safe(form.get("next"))
        wrong = "login_wrong"
        if sessions.must_wait(name):
            wrong = "login_wait"
        else:
            person = await run_in_threadpool(people.who, name, form.get("password", ""))
            if person is not None:
                return _let_in(person, onward)
            sessions.failed(name)
        status = HTTPStatus.UNAUTHORIZED if wrong == "login_wrong" else HTTPStatus.TOO_MANY_REQUESTS
        return render(request, "login.html", status, next=onward, wrong=wrong)

    def _let_in(person: Person, onward: str) -> Response:
        # A wall has nobody who could go on from there.
        answer = RedirectResponse(
            onward if person.role != "wall" else "/wall", HTTPStatus.SEE_OTHER
        )
        answer.set_cookie(
            COOKIE, sessions.begin(person), httponly=True, samesite="strict", secure=secure
        )
        return answer

    async def log_out(request: Request) -> Response:
        sessions.end(request.scope["session"])
        answer = RedirectResponse("/login", HTTPStatus.SEE_OTHER)
        answer.delete_cookie(COOKIE)
        return answer

    async def still_here(_request: Request) -> Response:
        return Response(status_code=HTTPStatus.NO_CONTENT)

    return [
        Route("/login", ask, methods=["GET"]),
        Route("/login", log_in, methods=["POST"]),
        Route("/logout", log_out, methods=["POST"]),
        Route("/still-here", still_here, methods=["POST"]),
    ]


async def _form(request: Request) -> dict[str, str]:
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > _LONGEST_FORM:
            return {}
    fields: dict[str, list[Any]] = parse_qs(body.decode("utf-8", "replace"))
    return {name: str(values[0]) for name, values in fields.items()}


def _safe(onward: str | None) -> str:
    """A path of ours to go on to; never the address of another site."""
    if not onward or not onward.startswith("/") or onward.startswith(("//", "/\\")):
        return "/"
    return onward
