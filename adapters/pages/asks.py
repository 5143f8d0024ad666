"""What a person asks on a page, as a request over MQTT, and the service's reply."""

from __future__ import annotations

import asyncio
import json
import secrets
import time
from collections.abc import Callable, Mapping
from http import HTTPStatus
from typing import Any, Final, Literal

from pydantic import BaseModel, ConfigDict, ValidationError
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from adapters.pages.gate import person_of
from rules.reading import nearest
from service.instants import to_text
from service.requests import ACTIONS

#: The service answers within a cycle or two; after this nothing was heard of it.
ANSWERED_WITHIN_S: Final = 4.0
_LONGEST: Final = 8192


class Asked(BaseModel):
    """What the page sends. The service checks the rest."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    action: str
    target: str | None = None
    minutes: float | None = None
    reason: str | None = None


class Asks:
    """Requests under way. For the event loop's thread alone."""

    def __init__(self, publish: Callable[[str, bytes], None]) -> None:
        self._publish = publish
        self._epoch = secrets.token_hex(4)
        self._seq = 0
        self._waiting: dict[str, asyncio.Future[Mapping[str, Any]]] = {}

    async def ask(self, place: str, by: str, asked: Asked) -> Mapping[str, Any] | None:
        """The service's reply; None when none came in time: then nobody knows if it was done."""
        self._seq += 1
        identity = f"pages-{self._epoch}-{self._seq}"
        body = {
            "schema": 1, "device": f"pages-{self._epoch}", "epoch": self._epoch, "seq": self._seq,
            "at": to_text(time.time_ns() // 1_000_000), "id": identity, "by": by,
            **asked.model_dump(exclude_none=True),
        }  # fmt: skip
        reply: asyncio.Future[Mapping[str, Any]] = asyncio.get_running_loop().create_future()
        self._waiting[identity] = reply
        self._publish(f"tidewarden/1/{place}/request", json.dumps(body).encode())
        try:
            return await asyncio.wait_for(reply, ANSWERED_WITHIN_S)
        except TimeoutError:
            return None
        finally:
            del self._waiting[identity]

    def take(self, topic: str, payload: bytes) -> None:
        """A message of the broker: perhaps the reply to one of ours."""
        if not self._waiting or not topic.endswith("/reply"):
            return
        body = json.loads(payload)
        waiting = self._waiting.get(str(body.get("request")))
        if waiting is not None and not waiting.done():
            waiting.set_result(body)

    def route(self) -> Route:
        """`POST /place/WARD/PLACE/request`: JSON in, `done` and `reason` out."""
        return Route("/place/{ward}/{place}/request", self._answer, methods=["POST"])

    async def _answer(self, request: Request) -> Response:
        person = person_of(request)
        if person.name is None or not person.may_ask:
            return _refused(HTTPStatus.FORBIDDEN, "you may look and not ask; log in as the team")
        body = await request.body()
        try:
            asked = Asked.model_validate_json(body[:_LONGEST])
        except ValidationError as error:
            first = error.errors(include_url=False, include_input=False)[0]
            where = ".".join(str(part) for part in first["loc"])
            return _refused(HTTPStatus.BAD_REQUEST, f"{where or 'body'}: {first['msg']}")
        if asked.action not in ACTIONS:
            hint = nearest(asked.action, ACTIONS)
            return _refused(HTTPStatus.BAD_REQUEST, f"action: not one of ours{hint}")
        place = f"{request.path_params['ward']}/{request.path_params['place']}"
        reply = await self.ask(place, person.name, asked)
        if reply is None:
            return JSONResponse(_outcome("unknown", None), HTTPStatus.GATEWAY_TIMEOUT)
        return JSONResponse(_outcome("done" if reply["done"] else "refused", reply["reason"]))


def _refused(status: HTTPStatus, reason: str) -> JSONResponse:
    return JSONResponse(_outcome("refused", reason), status)


def _outcome(
    outcome: Literal["done", "refused", "unknown"], reason: str | None
) -> dict[str, str | None]:
    return {"outcome": outcome, "reason": reason}
