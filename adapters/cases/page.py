"""The report of a case as one HTML file: everything is inside, and it asks the network nothing."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from adapters.cases.chart import can_draw, chart_svg
from adapters.cases.handover_lines import lost_lines
from adapters.cases.summary import limit_words, number_words, value_words
from adapters.texts import say
from rules.notice import NOTICE
from rules.wording import lasted, unit_words
from service.cases.report import Record

FOLDER: Final = Path(__file__).parent


def report_page(body: dict[str, Any], record: Record, made_at: str, software: str) -> str:
    """The page. `made_at` is RFC 3339 in UTC; without matplotlib it has no picture, and says so."""
    templates = Environment(
        loader=FileSystemLoader(FOLDER), autoescape=True, undefined=StrictUndefined
    )
    return templates.get_template("report.html").render(
        body=body,
        lost=lost_lines(body["lost"]),
        chart=chart_svg(record, body["advisories"]) if can_draw() else None,
        style=(files("adapters.cases") / "report.css").read_text("utf-8"),
        made_at=made_at,
        software=software,
        notice=NOTICE,
        t=say,
        unit=unit_words,
        words=value_words,
        number=number_words,
        limit_words=limit_words,
        lasted=lasted,
    )
