"""The pictures of the report. Each says in a table beneath it what it shows."""

from __future__ import annotations

from typing import Any, Final

import plotly.graph_objects as go

from adapters.evaluation.report.tables import LABELS

#: Told apart by mark and line as well as by colour.
SIDES: Final = {
    "rules": ("#0063a0", "circle", "solid"),
    "monitor-limits": ("#b4530a", "square", "dash"),
    "monitor-limits-delayed": ("#5a5a5a", "diamond", "dot"),
}
_ROW_PX: Final = 26
_MARGIN_PX: Final = 90


def intervals(rows: dict[str, list[dict[str, Any]]], value: str, title: str) -> go.Figure:
    """For each name a value with its interval, the sides beneath one another."""
    figure = go.Figure()
    names = [row["name"] for row in rows["rules"]]
    for number, (side, (colour, mark, _)) in enumerate(SIDES.items()):
        known = [row for row in rows[side] if row[value]["value"] is not None]
        middle = [row[value]["value"] for row in known]
        figure.add_trace(
            go.Scatter(
                x=middle,
                y=[names.index(row["name"]) + (number - 1) * 0.24 for row in known],
                mode="markers",
                name=LABELS[side],
                marker={"color": colour, "symbol": mark, "size": 8},
                error_x={
                    "type": "data",
                    "symmetric": False,
                    "array": [row[value]["high"] - row[value]["value"] for row in known],
                    "arrayminus": [row[value]["value"] - row[value]["low"] for row in known],
                    "color": colour,
                    "thickness": 1.2,
                    "width": 3,
                },
            )
        )
    figure.update_yaxes(
        tickmode="array",
        tickvals=list(range(len(names))),
        ticktext=names,
        range=[len(names) - 0.4, -0.6],
        showgrid=False,
    )
    return _laid_out(figure, title, _ROW_PX * len(names) + 2 * _MARGIN_PX)


def delays(overall: dict[str, dict[str, Any]]) -> go.Figure:
    """Which share of the episodes that were due was noticed within which time."""
    figure = go.Figure()
    for side, (colour, _, dash) in SIDES.items():
        found, episodes = overall[side]["delays_s"], overall[side]["episodes"]
        if episodes:
            steps = [(rank + 1) / episodes for rank in range(len(found))]
            figure.add_trace(
                go.Scatter(
                    x=[0.0, *found],
                    y=[0.0, *steps],
                    mode="lines",
                    name=LABELS[side],
                    line={"color": colour, "dash": dash, "shape": "hv", "width": 2},
                )
            )
    figure.update_yaxes(range=[0, 1], title_text="share of episodes noticed")
    figure.update_xaxes(range=[0, 90])
    return _laid_out(figure, "time from when it was due, s", 380)


def false_by(rows: list[dict[str, Any]], title: str) -> go.Figure:
    """Bars of counts, longest first."""
    shown = sorted((row for row in rows if row["false"]), key=lambda row: row["false"])
    figure = go.Figure(
        go.Bar(
            x=[row["false"] for row in shown],
            y=[row.get("title", row["name"]) for row in shown],
            orientation="h",
            marker={"color": "#0063a0"},
            text=[row["false"] for row in shown],
            textposition="outside",
        )
    )
    return _laid_out(figure, title, _ROW_PX * len(shown) + 2 * _MARGIN_PX)


def _laid_out(figure: go.Figure, title: str, height: int) -> go.Figure:
    figure.update_xaxes(
        title_text=title, gridcolor="#e4e4e4", zeroline=True, zerolinecolor="#9a9a9a"
    )
    figure.update_yaxes(gridcolor="#e4e4e4", automargin=True, zeroline=False)
    figure.update_layout(
        template="none",
        height=height,
        width=920,
        margin={"l": 200, "r": 40, "t": 50, "b": 60},
        font={"family": "system-ui, sans-serif", "size": 13, "color": "#1c1c1c"},
        paper_bgcolor="#ffffff",
        plot_bgcolor="#ffffff",
        legend={"orientation": "h", "x": 0.0, "y": 1.0, "yanchor": "bottom"},
        hovermode="closest",
    )
    return figure
