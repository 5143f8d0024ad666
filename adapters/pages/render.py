"""How a page is made: one set of templates, one catalogue of texts, the notice on each."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from starlette.requests import Request
from starlette.responses import HTMLResponse

from adapters.cases.page import FOLDER as CASES
from adapters.clock import SystemClock
from adapters.texts import say, texts
from rules.notice import NOTICE
from service.glance.card import LATE_MS, SILENT_MS
from service.instants import to_text

TEMPLATES: Final = Path(__file__).parent / "templates"


class Render:
    """Fills templates. `t(key, **values)` in a template is a text of the catalogue."""

    def __init__(self) -> None:
        self._templates = Environment(
            loader=FileSystemLoader([TEMPLATES, CASES]),
            autoescape=select_autoescape(),
            undefined=StrictUndefined,
        )
        settings = {"late_s": LATE_MS / 1000.0, "silent_s": SILENT_MS / 1000.0}
        self._templates.globals.update(
            t=say, utc=_utc, notice=NOTICE, words=script(texts()), settings=script(settings)
        )

    def __call__(
        self, request: Request, template: str, status: int = 200, **values: Any
    ) -> HTMLResponse:
        """The page. Raises jinja2 errors for a value that the template misses."""
        page = self._templates.get_template(template)
        known = {
            "base": str(request.base_url),
            "now": to_text(SystemClock().now_ms()),
            "person": request.scope["person"],
            "logged_in": request.scope["session"] is not None,
        }
        return HTMLResponse(page.render(**known, **values), status)


def _utc(instant: str) -> str:
    """`2026-11-25 13:00:00 UTC` of an instant as the store writes it."""
    return f"{instant[:10]} {instant[11:19]} UTC"


def script(value: Mapping[str, Any]) -> str:
    """JSON that cannot end the element it stands in."""
    return json.dumps(value, ensure_ascii=False).replace("<", "\\u003c")
