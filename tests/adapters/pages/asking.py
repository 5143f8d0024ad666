"""Asks routes for a page without a server, as a browser would."""

from __future__ import annotations

import asyncio
import html
import re
import time
from collections.abc import MutableMapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from starlette.applications import Starlette

from adapters.config import Config, PagesSection, RulesSection, StoreSection
from adapters.pages import reports, rules
from adapters.pages.gate import Gate
from adapters.pages.people import Person
from adapters.pages.render import Render
from adapters.pages.sessions import Sessions


def config(
    store: Path, *, use: str = RulesSection().use, reports: Path | None = None, two: bool = True
) -> Config:
    """The configuration of pages beside this store."""
    return Config(
        store=StoreSection(directory=store),
        rules=RulesSection(use=use, two_persons=two),
        pages=PagesSection(reports=reports),
    )


@dataclass
class Answer:
    """What came back."""

    status: int = 0
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b""

    @property
    def text(self) -> str:
        """What a person reads: without markup, space as single blanks."""
        within = re.sub(r"</?(?:a|del|ins|small|span|strong|time)\b[^>]*>", "", self.body.decode())
        bare = re.sub(r"<[^>]*>", " ", within)
        return " ".join(html.unescape(bare).split())

    def links(self) -> set[str]:
        """Where the page leads."""
        return {html.unescape(one) for one in re.findall(r'href="([^"]*)"', self.body.decode())}


class Pages:
    """The further pages of a configuration."""

    def __init__(self, of: Config) -> None:
        render = Render()
        further = [*rules.routes(render, of), *reports.routes(render, of)]
        sessions = Sessions(60.0, time.monotonic)
        self._application = Gate(Starlette(routes=further), sessions, Person(None, "reader"))

    def get(self, path: str) -> Answer:
        """The answer to this path, which may bring a query."""
        return asyncio.run(self._get(path))

    async def _get(self, path: str) -> Answer:
        where, _, query = path.partition("?")
        scope = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": "GET",
            "scheme": "http", "server": ("localhost", 80), "client": ("test", 1), "root_path": "",
            "path": unquote(where), "raw_path": where.encode(), "query_string": query.encode(),
            "headers": [(b"host", b"localhost")],
        }  # fmt: skip
        answer = Answer()

        async def receive() -> dict[str, Any]:
            # Nothing is sent, and nobody hangs up before the answer has come.
            await asyncio.Event().wait()
            return {}

        async def send(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                answer.status = message["status"]
                answer.headers = {k.decode(): v.decode() for k, v in message["headers"]}
            else:
                answer.body += message.get("body", b"")

        await self._application(scope, receive, send)
        return answer
