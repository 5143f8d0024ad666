"""A page of its own with tables and figures, which needs nothing else and can ask for nothing."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from html import escape
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Any

from adapters.plots.pages import as_script


def write_figures_page(
    path: Path,
    *,
    title: str,
    facts: str,
    notices: Sequence[str],
    footer: str,
    sections: Sequence[str],
    figures: Mapping[str, Any],
) -> None:
    """Write it. `notices` and `sections` are HTML, the other texts plain; `figures` are Plotly's
    as JSON, each by the id of the element that shows it. Needs Plotly."""
    from plotly.offline import get_plotlyjs  # noqa: PLC0415 (optional)

    home = files("adapters.evaluation.report")
    page = Template((home / "page.html").read_text("utf-8")).substitute(
        title=escape(title),
        facts=escape(facts),
        notices="\n".join(f'<p class="notice" role="note">{one}</p>' for one in notices),
        body="\n".join(sections),
        footer=escape(footer),
        style=(home / "page.css").read_text("utf-8"),
        plotly=get_plotlyjs(),
        figures=as_script(json.dumps(figures)),
    )
    path.write_text(page, encoding="utf-8")
