"""The traces of each panel: waves, breaths, key facts over time, advisories."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from html import escape
from itertools import cycle
from typing import Any, Final

from plotly import graph_objects as go

from adapters.cli.words import MARKS
from adapters.plots.advisories import Stretch
from adapters.plots.place import PlaceView, Row
from adapters.plots.waves import line, peak_s, thinned

#: Lines in the palette of Okabe and Ito (distinct for colour-blind people), darkened for paper.
PAW, CO2, FLOW, OTHER = "#0063a0", "#9a4a00", "#00694f", "#5a5a5a"
INSPIRATION: Final = "rgba(0, 99, 160, 0.13)"
#: IEC 60601-1-8: high red, medium yellow, low cyan; dark enough to be seen on white.
PRIORITY: Final = {"high": "#c1121f", "medium": "#c98a00", "low": "#0089a7"}
#: Points of a wave in the first picture: a lowest and a highest for each of so many columns.
FIRST_POINTS: Final = 2400
_CLOCK: Final = "%{x|%H:%M:%S.%L}"
#: A ventilator's breath looks alike on every page; other kinds take what comes next.
VENTILATOR: Final = "ventilator"
_OTHER_SYMBOLS: Final = ("diamond", "x", "square", "triangle-up")
Trace = Any


@dataclass(frozen=True, slots=True)
class Panel:
    """One strip of the picture: its axis title, its share of the height, what it holds."""

    key: str
    title: str
    height: int
    traces: list[Trace]


def wave(view: PlaceView, channel: str, unit: str, colour: str) -> Trace:
    """The first picture of a wave; the page's script draws it finer when zoomed."""
    times, values = line(thinned(view.waves[channel], FIRST_POINTS), view.zero_s)
    return go.Scatter(
        x=times,
        y=values,
        mode="lines",
        line={"color": colour, "width": 1.2},
        showlegend=False,
        meta={"wave": channel},
        hovertemplate=f"{_CLOCK}  %{{y:.1f}} {unit}<extra></extra>",
    )


def breaths_in_pressure(view: PlaceView) -> list[Trace]:
    """Inspiration shaded from start to end, and PIP with the kind of breath as its symbol."""
    if not view.breaths:
        return []
    others = sorted({row["kind"] for row in view.breaths} - {VENTILATOR})
    symbols = {VENTILATOR: "circle", **dict(zip(others, cycle(_OTHER_SYMBOLS), strict=False))}
    return [
        _inspirations(view.breaths, view),
        *(_pips(kind, symbol, view) for kind, symbol in symbols.items()),
    ]


def _inspirations(rows: Iterable[Row], view: PlaceView) -> Trace:
    times: list[float | None] = []
    values: list[float | None] = []
    for row in rows:
        start, end = view.ms(row["start_s"]), view.ms(row["start_s"] + row["ti_s"])
        low, high = round(row["baseline_cmh2o"], 2), round(row["pip_cmh2o"], 2)
        times += [start, start, end, end, start, None]
        values += [low, high, high, low, low, None]
    return go.Scatter(
        x=times,
        y=values,
        mode="lines",
        fill="toself",
        fillcolor=INSPIRATION,
        line={"color": "rgba(0, 99, 160, 0.45)", "width": 0.7},
        name="inspiration found (start to end of inflation)",
        legend="legend",
        meta={"breath": 6},
        hoverinfo="skip",
    )


def _pips(kind: str, symbol: str, view: PlaceView) -> Trace:
    rows = [row for row in view.breaths if row["kind"] == kind]
    return go.Scatter(
        x=[view.ms(_peak_s(row, view)) for row in rows],
        y=[round(row["pip_cmh2o"], 2) for row in rows],
        mode="markers",
        marker={
            "symbol": symbol,
            "size": 6,
            "color": "#ffffff",
            "line": {"color": PAW, "width": 1.5},
        },
        name=f"PIP, {escape(kind)} breath",
        legend="legend",
        meta={"breath": 1},
        text=[_breath_words(row, view) for row in rows],
        hovertemplate="%{text}<extra></extra>",
    )


def _peak_s(row: Row, view: PlaceView) -> float:
    end_s: float = row["start_s"] + row["ti_s"]
    found = peak_s(view.waves.get("paw", []), row["start_s"], end_s)
    return end_s if found is None else found


def _breath_words(row: Row, view: PlaceView) -> str:
    te_s = row["te_s"]
    words = [
        f"<b>{escape(row['kind'])} breath</b>, start {row['start_s'] - view.begins_s:.2f} s",
        f"Ti {row['ti_s']:.3f} s, Te {'unknown' if te_s is None else f'{te_s:.2f} s'}",
        f"PIP {row['pip_cmh2o']:.1f}, baseline {row['baseline_cmh2o']:.1f} cmH2O",
    ]
    if row["tidal_volume_ml"] is not None:
        words.append(f"tidal volume {_volume_words(row)}")
    return "<br>".join(words)


def _volume_words(row: Row) -> str:
    low, high = row.get("tidal_volume_low_ml"), row.get("tidal_volume_high_ml")
    between = "" if low is None or high is None else f" ({low:.2f} to {high:.2f})"
    return f"{row['tidal_volume_ml']:.2f}{between} mL"


def etco2_dots(view: PlaceView) -> Trace:
    """End-tidal CO2 of each breath seen in CO2, at its start."""
    return dots(
        [(row["start_s"], row["etco2_mmhg"]) for row in view.capnogram],
        view, "EtCO2", "mmHg", CO2,
    )  # fmt: skip


def dots(
    points: Iterable[tuple[float, float]], view: PlaceView, name: str, unit: str, colour: str
) -> Trace:
    """One value a breath."""
    kept = list(points)
    return go.Scatter(
        x=[view.ms(at_s) for at_s, _ in kept],
        y=[round(value, 4) for _, value in kept],
        mode="markers",
        marker={"size": 4, "color": colour},
        showlegend=False,
        hovertemplate=f"{_CLOCK}  {name} %{{y:.4~g}} {unit}<extra></extra>",
    )


def monitor_line(view: PlaceView, numeric: str, name: str, unit: str) -> Trace:
    """A numeric of the monitor as it came."""
    points = sorted(view.record.numerics[numeric])
    return go.Scatter(
        x=[view.ms(at_s) for at_s, _ in points],
        y=[None if math.isnan(value) else round(value, 2) for _, value in points],
        mode="lines",
        line={"color": OTHER, "width": 1.2, "shape": "hv"},
        name="numeric of the monitor",
        legendgroup="monitor",
        hovertemplate=f"{_CLOCK}  {name} of the monitor %{{y:.4~g}} {unit}<extra></extra>",
    )


def volume_interval(view: PlaceView) -> Trace:
    """Tidal volume of each breath, with its interval where the rows carry one."""
    rows = [row for row in view.breaths if row["tidal_volume_ml"] is not None]
    trace = dots(
        [(row["start_s"], row["tidal_volume_ml"]) for row in rows],
        view, "tidal volume", "mL", PAW,
    )  # fmt: skip
    reach = _reaches(rows)
    if reach is not None:
        above, below = reach
        trace.update(
            error_y={
                "array": above, "arrayminus": below, "symmetric": False,
                "color": INSPIRATION.replace("0.13", "0.4"), "thickness": 1, "width": 0,
            }
        )  # fmt: skip
    return trace


def _reaches(rows: list[Row]) -> tuple[list[float], list[float]] | None:
    if all(row.get("tidal_volume_high_ml") is None for row in rows):
        return None

    def reach(column: str, sign: float) -> list[float]:
        return [
            0.0
            if row.get(column) is None
            else round(max(0.0, sign * (row[column] - row["tidal_volume_ml"])), 4)
            for row in rows
        ]

    return reach("tidal_volume_high_ml", 1.0), reach("tidal_volume_low_ml", -1.0)


def advisory_bars(view: PlaceView) -> list[Trace]:
    """One bar an advisory, in the lane of its rule; paler and thinner when another explains it."""
    return [_bar(stretch, view) for stretch in view.advisories]


def _bar(stretch: Stretch, view: PlaceView) -> Trace:
    last = view.ends_s if stretch.cleared_s is None else stretch.cleared_s
    explained = stretch.explained_by is not None
    lane = f"{MARKS[stretch.priority].strip()} {stretch.rule}"
    return go.Scatter(
        x=[view.ms(stretch.raised_s), view.ms(last)],
        y=[lane, lane],
        mode="lines",
        line={"color": PRIORITY[stretch.priority], "width": 5 if explained else 11},
        opacity=0.6 if explained else 1.0,
        showlegend=False,
        hovertext=[_advisory_words(stretch)] * 2,
        hoverinfo="text",
    )


def _advisory_words(stretch: Stretch) -> str:
    words = [f"<b>{MARKS[stretch.priority].strip()} {stretch.priority}</b>  {escape(stretch.says)}"]
    words.append(escape(stretch.rule))
    if stretch.explained_by is not None:
        words.append(f"explained by {escape(stretch.explained_by)}")
    return "<br>".join(words)


def settings_marks(view: PlaceView) -> list[Trace]:
    """A mark in a lane of its own where settings came that were not those before."""
    changes = view.record.settings
    if len(changes) < 2:
        return []
    return [
        go.Scatter(
            x=[view.ms(at_s) for at_s, _ in changes[1:]],
            y=["settings changed"] * (len(changes) - 1),
            mode="markers",
            marker={"symbol": "diamond", "size": 9, "color": OTHER},
            showlegend=False,
            text=[escape(words) for _, words in changes[1:]],
            hovertemplate=f"{_CLOCK}  %{{text}}<extra></extra>",
        )
    ]


def known(rows: Iterable[Row], value: Callable[[Row], float | None]) -> list[tuple[float, float]]:
    """(start, value) of the rows whose value is known."""
    pairs = ((row["start_s"], value(row)) for row in rows)
    return [(at_s, found) for at_s, found in pairs if found is not None]
