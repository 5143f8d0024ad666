"""Pictures of nights: what was said, when, and whether it was right."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

import plotly.graph_objects as go

from adapters.backtest.judging import Judgement, Verdict
from adapters.backtest.summary import OfOne

#: Told apart by mark as well as by colour.
_MARKS: Final[dict[Judgement, tuple[str, str, str]]] = {
    "right": ("#0063a0", "circle", "right"),
    "false": ("#a11616", "x", "false"),
    "not known": ("#5a5a5a", "diamond-open", "not known whether right"),
}
_HAPPENED: Final = "#e0a030"
_ROW_PX: Final = 34
_MARGIN_PX: Final = 110
_MOST_PLACES: Final = 30


@dataclass(frozen=True, slots=True)
class Picture:
    """One night: what it is called, what it shows in words, and the figure."""

    name: str
    words: str
    figure: go.Figure


def picture(rule_sets: Sequence[str], night: Sequence[OfOne]) -> Picture:
    """One night by each rule set: a row for each place and rule set."""
    rows, lanes = _lanes(rule_sets, night)
    figure = go.Figure()
    _draw_happened(figure, lanes)
    for judgement, (colour, mark, words) in _MARKS.items():
        found = [
            (at, one)
            for at, place, verdict in lanes
            for one in verdict.judged
            if one.spoken.place == place and one.judgement == judgement
        ]
        if found:
            figure.add_trace(
                go.Scatter(
                    x=[_moment(one.spoken.spoken_ms) for _, one in found],
                    y=[at for at, _ in found],
                    text=[
                        f"{one.spoken.rule} ({one.spoken.priority}): {one.spoken.says}"
                        for _, one in found
                    ],
                    hovertemplate="%{x|%H:%M:%S} %{text}<extra></extra>",
                    mode="markers",
                    name=words,
                    marker={"color": colour, "symbol": mark, "size": 10},
                )
            )
    figure.update_yaxes(
        tickmode="array",
        tickvals=list(range(len(rows))),
        ticktext=rows,
        range=[len(rows) - 0.5, -0.5],
        automargin=True,
        gridcolor="#e4e4e4",
        zeroline=False,
    )
    begins_ms, ends_ms = night[0].night.begins_ms, night[0].night.ends_ms
    figure.update_xaxes(
        gridcolor="#e4e4e4",
        title_text="time, UTC",
        range=[_moment(begins_ms), _moment(ends_ms)],
    )
    figure.update_layout(
        template="none",
        height=_ROW_PX * len(rows) + _MARGIN_PX,
        width=1040,
        margin={"l": 120, "r": 30, "t": 40, "b": 50},
        font={"family": "system-ui, sans-serif", "size": 13, "color": "#1c1c1c"},
        paper_bgcolor="#ffffff",
        plot_bgcolor="#ffffff",
        legend={"orientation": "h", "x": 0.0, "y": 1.0, "yanchor": "bottom"},
        hovermode="closest",
    )
    return Picture(night[0].night.name, _words(rule_sets, night), figure)


def _lanes(
    rule_sets: Sequence[str], night: Sequence[OfOne]
) -> tuple[list[str], list[tuple[int, str, Verdict]]]:
    """Only places of which there is something to show."""
    places = sorted(
        {one.spoken.place for by in night for one in by.verdict.judged}
        | {one.place for by in night for one in by.verdict.episodes}
    )[:_MOST_PLACES]
    rows: list[str] = []
    lanes: list[tuple[int, str, Verdict]] = []
    for place in places:
        for spec, by in zip(rule_sets, night, strict=True):
            lanes.append((len(rows), place, by.verdict))
            version = spec.partition("@")[2]
            rows.append(place if len(rule_sets) == 1 else f"{place}, {version}")
    return rows, lanes


def _draw_happened(figure: go.Figure, lanes: Sequence[tuple[int, str, Verdict]]) -> None:
    xs: list[Any] = []
    ys: list[Any] = []
    texts: list[str] = []
    for at, place, verdict in lanes:
        for one in verdict.episodes:
            if one.place == place:
                xs += [_moment(one.begins_ms), _moment(one.ends_ms), None]
                ys += [at, at, None]
                texts += [", ".join(one.what)] * 2 + [""]
    if xs:
        figure.add_trace(
            go.Scatter(
                x=xs,
                y=ys,
                text=texts,
                hovertemplate="%{x|%H:%M:%S} %{text}<extra></extra>",
                mode="lines",
                name="had to be told",
                line={"color": _HAPPENED, "width": 14},
            )
        )


def _words(rule_sets: Sequence[str], night: Sequence[OfOne]) -> str:
    parts = []
    for spec, by in zip(rule_sets, night, strict=True):
        counts = [
            f"{sum(one.judgement == judgement for one in by.verdict.judged)} {words}"
            for judgement, (_, _, words) in _MARKS.items()
        ]
        noticed = sum(one.noticed_ms is not None for one in by.verdict.episodes)
        told = f"; {noticed} of {len(by.verdict.episodes)} noticed" if by.verdict.episodes else ""
        parts.append(f"{spec}: {', '.join(counts)}{told}")
    return "; ".join(parts)


def _moment(at_ms: int) -> datetime:
    return datetime.fromtimestamp(at_ms / 1000.0, UTC)
