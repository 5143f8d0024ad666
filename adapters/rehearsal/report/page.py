"""The page: what is not as expected first, then every scenario by file, then how much is tested."""

from __future__ import annotations

import importlib.util
import json
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Any, Final

from adapters.plots.pages import as_script
from adapters.rehearsal.report.html import Html, joined, listed, tag, text, verdict
from adapters.rehearsal.report.report import Report
from adapters.rehearsal.report.scenario import Scenarios, Shown
from adapters.rehearsal.report.tested import covered, unnoticed
from adapters.rehearsal.run import Rehearsed
from rules.notice import NOTICE

#: With so many scenarios or fewer, the list of each file is open from the beginning.
_FEW: Final = 30


def write_page(report: Report, path: Path) -> None:
    """Write the report as one HTML file that asks nothing of the network.

    Without Plotly it has no pictures; everything that they show stands in it as text too.
    """
    home = files("adapters.rehearsal.report")
    scenarios = Scenarios(report.rule_set)
    shown = {
        f"s{number}": (one, scenarios.shown(one, f"s{number}"))
        for number, one in enumerate(report.rehearsed)
    }
    page = Template((home / "page.html").read_text("utf-8")).substitute(
        rules=text(report.rule_set.spec),
        title=text(report.rule_set.title),
        sha256=text(report.rule_set.sha256),
        summary=_summary(report),
        facts=text(_facts(report)),
        without=_without_pictures(),
        notice=text(NOTICE),
        body=joined(_sections(report, shown), "\n"),
        style=(home / "page.css").read_text("utf-8"),
        plotly=_plotly(),
        pictures=as_script(_pictures(shown)),
        script=(home / "page.js").read_text("utf-8"),
    )
    # What no encoding can write, half a pair of surrogates, becomes a question mark.
    path.write_text(page, encoding="utf-8", errors="replace")


def _has_plotly() -> bool:
    return importlib.util.find_spec("plotly") is not None


def _without_pictures() -> Html:
    if _has_plotly():
        return Html("")
    words = "Without pictures, since Plotly is not installed: pip install 'tidewarden[plots]'."
    return tag("p", text(words))


def _plotly() -> str:
    if not _has_plotly():
        return ""
    from plotly.offline import get_plotlyjs  # noqa: PLC0415 (optional)

    script: str = get_plotlyjs()
    return script


def _pictures(shown: dict[str, tuple[Rehearsed, Shown]]) -> str:
    drawn: dict[str, Any] = {
        identity: one.picture for identity, (_, one) in shown.items() if one.picture is not None
    }
    return json.dumps(drawn, separators=(",", ":"))


def summary_words(report: Report) -> str:
    """`132 of 133 scenarios are as expected; 1 is not.`"""
    count, failed = len(report.rehearsed), len(report.failed)
    if not count:
        return "No scenario was run."
    if not failed:
        return f"All {count:,} scenarios are as expected." if count > 1 else "It is as expected."
    if failed == count:
        return f"None of {count:,} scenarios is as expected."
    are = "is" if failed == 1 else "are"
    return f"{count - failed:,} of {count:,} scenarios are as expected; {failed:,} {are} not."


def _summary(report: Report) -> Html:
    mark = verdict(not report.failed, summary_words(report), summary_words(report))
    return tag("p", mark, class_="summary")


def _facts(report: Report) -> str:
    words = f"{report.simulated_s / 60.0:,.0f} min of patients"
    if report.took_s:
        speed = report.simulated_s / report.took_s
        words += f", rehearsed in {report.took_s:,.0f} s: {speed:,.0f} times as fast as they live"
    return f"{words}."


def _sections(report: Report, shown: dict[str, tuple[Rehearsed, Shown]]) -> Iterator[Html]:
    if report.failed:
        yield _section("failures", "Not as expected", _failures(shown))
    if report.rehearsed:
        yield _section("all", "All scenarios", _all(report, shown))
    if report.coverage is not None:
        yield _section(
            "tested", "What was put to the test", covered(report.rule_set, report.coverage)
        )
    if report.survivors is not None:
        parts = unnoticed(report, report.survivors)
        yield _section("changes", "Small changes that nobody would notice", parts)


def _section(identity: str, title: str, parts: Iterator[Html]) -> Html:
    heading = tag("h2", text(title), id=f"{identity}-title")
    return tag("section", heading, *parts, id=identity, aria_labelledby=f"{identity}-title")


def _failures(shown: dict[str, tuple[Rehearsed, Shown]]) -> Iterator[Html]:
    """What they are in a line each, then each in full, by the file that it is written in."""
    failed = {identity: both for identity, both in shown.items() if not both[0].passed}
    if len(failed) > 1:
        yield listed(_line(identity, one) for identity, (one, _) in failed.items())
    by_file: dict[str, list[Html]] = {}
    for one, written in failed.values():
        by_file.setdefault(one.scenario.where.file, []).append(written.html)
    for file, parts in by_file.items():
        yield tag("h3", text(file))
        yield from parts


def _line(identity: str, one: Rehearsed) -> Html:
    """The first point that is not met."""
    point = next(verdict for verdict in one.verdicts if not verdict.met)
    link = tag("a", text(one.scenario.name), href=f"#{identity}")
    return joined([link, text(f": {point.asks}: {point.why}")])


def _all(report: Report, shown: dict[str, tuple[Rehearsed, Shown]]) -> Iterator[Html]:
    yield Html(
        '<p class="tools" hidden><label>Find <input type="search" id="find" autocomplete="off">'
        '</label> <button type="button" id="open">Open what is listed</button> '
        '<button type="button" id="close">Close all</button> '
        '<span id="found" role="status"></span></p>'
    )
    for file, scenarios in report.by_file().items():
        own = [
            _listed(identity, one, written)
            for identity, (one, written) in shown.items()
            if one.scenario.where.file == file
        ]
        few = len(report.rehearsed) <= _FEW
        yield Html(
            f'<details class="file"{" open" if few else ""}>{_file_summary(file, scenarios)}'
            f"{joined(own)}</details>"
        )


def _file_summary(file: str, scenarios: list[Rehearsed]) -> Html:
    failed = sum(not one.passed for one in scenarios)
    count = f"{len(scenarios):,} scenario{'' if len(scenarios) == 1 else 's'}"
    words = verdict(not failed, "as expected", f"{failed:,} not as expected")
    return tag("summary", tag("h3", text(file)), Html(" "), text(f"{count}, "), words)


def _listed(identity: str, one: Rehearsed, written: Shown) -> Html:
    """A scenario in the list of its file; one that is not as expected stands above already."""
    if one.passed:
        return written.html
    link = tag("a", text(one.scenario.name), href=f"#{identity}")
    mark = verdict(False, "", "not as expected")
    return tag("p", mark, Html(" "), link, text(" (shown above)"), class_="above")
