"""The pages: one HTML file a place, with everything inside; none of them asks the network."""

from __future__ import annotations

import importlib.util
import json
from html import escape
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Any, Final, Protocol

from adapters.cli.words import MARKS
from adapters.plots.advisories import Stretch
from adapters.plots.place import PlaceView, Row, place_view
from adapters.plots.recorded import Recorded
from adapters.plots.waves import packed, thinned
from rules.notice import NOTICE
from service.instants import to_text

#: Samples of all waves of a page; with them it stays near 10 MB. An hour of pressure and flow at
#: 200 Hz and CO2 at 25 Hz has 1.53 million.
MOST_SAMPLES: Final = 1_550_000


class PlotsUnavailableError(RuntimeError):
    """The optional drawing library is missing; the text names the fix."""


class Result(Protocol):
    """What a replay brought to light (see `adapters.replay.Replayed`)."""

    begins_ms: int | None
    ends_ms: int
    breaths: list[Row]
    capnogram: list[Row]
    events: list[Row]


def ready() -> None:
    """Raises PlotsUnavailableError when pages cannot be drawn; loads nothing."""
    if importlib.util.find_spec("plotly") is None:
        raise PlotsUnavailableError(
            "--plots needs Plotly, which is not installed: pip install 'tidewarden[plots]'"
        )


def write_plots(result: Result, recorded: Recorded, folder: Path) -> list[Path]:
    """Write one page for each place into `folder`; returns their paths."""
    ready()
    from adapters.plots.figure import build_figure  # noqa: PLC0415 (optional)

    folder.mkdir(parents=True, exist_ok=True)
    between_s = ((result.begins_ms or 0) / 1000.0, result.ends_ms / 1000.0)
    written = []
    for name, record in sorted(recorded.places.items()):
        view = place_view(name, record, between_s, result.breaths, result.capnogram, result.events)
        path = folder / f"{name.replace('/', '+')}.html"
        path.write_text(_page(view, build_figure(view)), encoding="utf-8")
        written.append(path)
    return written


def _page(view: PlaceView, figure: Any) -> str:
    from plotly.offline import get_plotlyjs  # noqa: PLC0415 (optional)

    home = files("adapters.plots")
    return Template((home / "page.html").read_text("utf-8")).substitute(
        place=escape(view.name),
        facts=_facts(view),
        notice=escape(NOTICE),
        advisories=_table(view),
        note=escape(_rate_note(view)),
        style=(home / "page.css").read_text("utf-8"),
        plotly=get_plotlyjs(),
        figure=as_script(figure.to_json()),
        waves=as_script(json.dumps(_waves(view), separators=(",", ":"))),
        script=(home / "page.js").read_text("utf-8"),
    )


def as_script(text: str) -> str:
    """JSON that cannot end the script element it stands in."""
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def _share(view: PlaceView, channel: str) -> int:
    """The samples a channel may have: its part of what all have."""
    counts = {name: sum(len(run.values) for run in runs) for name, runs in view.waves.items()}
    total = sum(counts.values())
    return counts[channel] if total <= MOST_SAMPLES else MOST_SAMPLES * counts[channel] // total


def _waves(view: PlaceView) -> dict[str, Any]:
    return {
        channel: packed(thinned(runs, _share(view, channel)), view.zero_s)
        for channel, runs in view.waves.items()
    }


def _rate_note(view: PlaceView) -> str:
    if all(
        _share(view, channel) >= sum(len(run.values) for run in runs)
        for channel, runs in view.waves.items()
    ):
        return "Zoomed in, every sample is drawn."
    return "The recording is long: of each short stretch the lowest and highest sample are drawn."


def _facts(view: PlaceView) -> str:
    begins = to_text(round(view.begins_s * 1000.0)).replace("T", " ").replace("Z", " UTC")
    words = [f"begins {begins}", f"{_clock(view.duration_s)} long"]
    words += [who for _, who in view.record.patients]
    words += [f"{len(view.breaths)} breaths in pressure", f"{len(view.capnogram)} in CO2"]
    return " &middot; ".join(escape(word) for word in words)


def _table(view: PlaceView) -> str:
    if not view.advisories:
        return "<p>No advisory was raised here.</p>"
    rows = "".join(_row(stretch, view) for stretch in view.advisories)
    heads = "".join(
        f"<th scope=col>{head}</th>" for head in ("raised", "cleared", "priority", "advisory")
    )
    return f"<table><thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table>"


def _row(stretch: Stretch, view: PlaceView) -> str:
    raised_s = stretch.raised_s - view.begins_s
    ends_s = view.duration_s if stretch.cleared_s is None else stretch.cleared_s - view.begins_s
    cleared = "stands at the end" if stretch.cleared_s is None else _clock(ends_s)
    explained = (
        f" <i>(explained by {escape(stretch.explained_by)})</i>" if stretch.explained_by else ""
    )
    show = f"{max(0.0, raised_s - 20.0):.1f}-{min(ends_s, raised_s + 60.0) + 10.0:.1f}"
    return (
        f"<tr class={escape(stretch.priority)}>"
        f'<td><a href="#{show}" title="zoom to it">{_clock(raised_s)}</a></td><td>{cleared}</td>'
        f"<td><b>{MARKS[stretch.priority].strip()} {escape(stretch.priority)}</b></td>"
        f"<td><b>{escape(stretch.says)}</b>{explained}<br>{escape(stretch.because)}"
        f" <code>{escape(stretch.rule)}</code></td></tr>"
    )


def _clock(seconds: float) -> str:
    whole = max(0, round(seconds))
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
