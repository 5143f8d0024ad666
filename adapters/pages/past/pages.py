"""The pages of the past of a place: trends, advisories that came and went, why and why not."""

from __future__ import annotations

import re
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlencode

from sqlite_utils import Database
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from adapters.cases.handover_lines import handover_lines
from adapters.cases.reading import NoCaseError, all_stays, rules_then, stays_of
from adapters.cases.story import read_case, told
from adapters.config import Config
from adapters.pages.kept import NoStoreError, opened
from adapters.pages.live import now_ms
from adapters.pages.past import asked
from adapters.pages.past.beside import Beside, NoAnswerError
from adapters.pages.past.plotly import plotly, plotly_file
from adapters.pages.past.reasons import Reasons
from adapters.pages.past.trends import trends
from adapters.pages.past.waiting import refused, while_wanted
from adapters.pages.render import Render
from adapters.sqlite.history import place_id, reached_ms, read_events, read_notes
from adapters.sqlite.reading import StoreError
from adapters.sqlite.store import FILE_NAME
from adapters.texts import say
from rules.wording import unit_words
from service.cases.advised import advised
from service.instants import to_text

#: What a page is made of; it is read in a thread, so that no page waits for another.
Read = Callable[[Database, Request], dict[str, Any]]
_NEAREST: Final = 8
_NOTES_MS: Final = 24 * asked.MS_PER_H
_MOST_NOTES: Final = 50
#: What no file system and no header minds.
_PLAIN: Final = re.compile(r"[^A-Za-z0-9.]+")
_SEE_OTHER, _BAD_REQUEST, _NOT_FOUND = 303, 400, 404


def routes(render: Render, config: Config) -> list[BaseRoute]:
    """All pages of what is past, from the store of this configuration."""
    store = config.store.directory / FILE_NAME
    pages = _Pages(render, store, config.pages.texts)
    return [
        Route("/place/{ward}/{place}/trends", pages.page("trends.html", _trends_page)),
        Route("/place/{ward}/{place}/trends.json", pages.data(_trends)),
        Route("/place/{ward}/{place}/past", pages.page("past.html", _past)),
        Route("/place/{ward}/{place}/why", pages.page("why.html", _why_page)),
        Route("/place/{ward}/{place}/why/answer", pages.answer),
        Route("/place/{ward}/{place}/limits", pages.limits),
        Route("/place/{ward}/{place}/notes", pages.data(_notes)),
        Route("/cases", pages.page("cases.html", _cases)),
        Route("/case/{ward}/{place}", pages.page("case.html", _case)),
        Route("/case/{ward}/{place}/report", pages.report),
        Route("/plotly.min.js", plotly),
    ]


class _Pages:
    def __init__(self, render: Render, store: Path, texts: Path | None) -> None:
        self._render = render
        self._texts = texts
        self._store = store
        self._reasons = Reasons(store)
        self._reports = Beside()

    def page(self, template: str, read: Read) -> Callable[[Request], Awaitable[Response]]:
        """A page; what cannot be answered is a page too."""

        async def endpoint(request: Request) -> Response:
            try:
                values = await run_in_threadpool(self._read, read, request)
            except (StoreError, asked.AskedError) as error:
                status = _BAD_REQUEST if isinstance(error, asked.AskedError) else _NOT_FOUND
                return self._nothing(request, str(error), status)
            return self._render(request, template, **_where(request), **values)

        return endpoint

    def data(self, read: Read) -> Callable[[Request], Awaitable[Response]]:
        """What a page asks for later, as JSON."""

        async def endpoint(request: Request) -> Response:
            try:
                return JSONResponse(await run_in_threadpool(self._read, read, request))
            except asked.AskedError as error:
                return JSONResponse({"problem": str(error)}, _BAD_REQUEST)
            except StoreError as error:
                return JSONResponse({"problem": str(error)}, _NOT_FOUND)

        return endpoint

    async def answer(self, request: Request) -> Response:
        """A part of a page: why, at one place."""
        query = request.query_params
        rule = query.get("rule") or None
        asking = self._reasons.ask(_name(request), rule, query.get("at") or None)
        try:
            body = await while_wanted(request, asking)
        except NoAnswerError as error:
            problem, status = refused(error)
            return self._render(request, "why_none.html", status, problem=problem)
        states: dict[str, list[dict[str, Any]]] = {}
        for one in body["rules"]:
            states.setdefault(one["state"], []).append(one)
        values: dict[str, Any] = {
            "body": body,
            "states": states,
            "nearest": _NEAREST,
            "whole": rule is not None,
        }
        return self._render(request, "why_answer.html", **_where(request), **values)

    async def limits(self, request: Request) -> Response:
        """On to the limits of who lies there, by the rules that decide."""
        try:
            onward = await run_in_threadpool(self._read, _limits, request)
        except StoreError as error:
            return self._nothing(request, str(error), _NOT_FOUND)
        return RedirectResponse(request.url.replace(**onward), _SEE_OTHER)

    async def report(self, request: Request) -> Response:
        """The report of a case, to be kept: one file."""
        begun = request.query_params.get("from")
        asked_ = ["case", f"--store={self._store}", "--html=-"]
        asked_ += [f"--from={begun}"] if begun else []
        asked_ += [f"--texts={self._texts}"] if self._texts else []
        try:
            page = await while_wanted(request, self._reports.run(*asked_, "--", _name(request)))
        except NoAnswerError as error:
            return self._nothing(request, *refused(error))
        name = f"case-{_name(request)}-{begun or 'last'}"
        kept = {"Content-Disposition": f'attachment; filename="{_PLAIN.sub("-", name)}.html"'}
        return Response(page, media_type="text/html", headers=kept)

    def _nothing(self, request: Request, problem: str, status: int) -> Response:
        return self._render(request, "nothing.html", status, **_where(request), problem=problem)

    def _read(self, read: Read, request: Request) -> dict[str, Any]:
        try:
            with opened(self._store) as db:
                return read(db, request)
        except NoStoreError:
            raise StoreError(say("no_store", store=self._store)) from None


def _where(request: Request) -> dict[str, Any]:
    """The place that a page is about, if it is about one."""
    return dict(request.path_params)


def _name(request: Request) -> str:
    return f"{request.path_params['ward']}/{request.path_params['place']}"


def _span(db: Database, request: Request) -> tuple[int, int, int]:
    """Hours asked for, and the span: back from `to`, or from where the store ends."""
    hours = asked.hours(request.query_params)
    to_ms = asked.instant(request.query_params, "to")
    to_ms = reached_ms(db) if to_ms is None else to_ms
    return hours, to_ms - hours * asked.MS_PER_H, to_ms


def _choice(db: Database, request: Request) -> dict[str, Any]:
    hours, from_ms, to_ms = _span(db, request)
    place_id(db, _name(request))
    to = request.query_params.get("to", "")
    return {"hours": hours, "choices": asked.HOURS, "to": to, "from_ms": from_ms, "to_ms": to_ms}


def _trends_page(db: Database, request: Request) -> dict[str, Any]:
    return {**_choice(db, request), "plots": plotly_file() is not None}


def _trends(db: Database, request: Request) -> dict[str, Any]:
    _, from_ms, to_ms = _span(db, request)
    after_ms = asked.number(request.query_params, "after")
    found = trends(db, _name(request), from_ms, to_ms, after_ms)
    return {**found, "age_s": max(0.0, (now_ms() - reached_ms(db)) / 1000.0)}


def _past(db: Database, request: Request) -> dict[str, Any]:
    choice = _choice(db, request)
    events = read_events(db, _name(request), choice["from_ms"], choice["to_ms"])
    return {**choice, "advised": advised(events), "instant": to_text}


def _notes(db: Database, request: Request) -> dict[str, Any]:
    """Those of the last day, the newest first."""
    found = read_notes(db, _name(request), now_ms() - _NOTES_MS, now_ms())
    return {"notes": found[: -_MOST_NOTES - 1 : -1]}


def _limits(db: Database, request: Request) -> dict[str, Any]:
    """Path and query of the page on the limits of a patient."""
    place = _name(request)
    there, rules = stays_of(db, place, reached_ms(db)), rules_then(db, reached_ms(db))
    if not there or rules is None:
        raise StoreError(say("nobody_yet", place=place))
    one = there[-1].last.context
    mass = "" if one.mass_kg is None else f"{one.mass_kg:g} kg"
    query = {"species": one.species, "class": one.class_, "mass": mass, "phase": one.phase}
    path = f"/rules/{rules.name}/{rules.version}/limits"
    return {"path": path, "query": urlencode({key: text or "" for key, text in query.items()})}


def _why_page(db: Database, request: Request) -> dict[str, Any]:
    place_id(db, _name(request))
    query = request.query_params
    return {"rule": query.get("rule", ""), "at": query.get("at", "")}


def _cases(db: Database, _request: Request) -> dict[str, Any]:
    return {"stays": all_stays(db), "instant": to_text}


def _case(db: Database, request: Request) -> dict[str, Any]:
    from_ms = asked.instant(request.query_params, "from")
    try:
        case = read_case(db, _name(request), from_ms)
    except NoCaseError as error:
        raise asked.AskedError(f"from: {error}") from None
    return {
        "stay": case.stay,
        "body": {"story": told(case)},
        "lines": handover_lines(case.handover),
        "instant": to_text,
        "unit": unit_words,
    }
