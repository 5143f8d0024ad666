"""The picture of one place: its panels one under the other on one time axis."""

from __future__ import annotations

import math
from typing import Any, Final

from plotly.subplots import make_subplots

from adapters.plots import traces
from adapters.plots.place import PlaceView, Row
from adapters.plots.traces import Panel

_S_PER_MIN: Final = 60.0
_LANE_PX, _GAP_PX, _MARGIN_PX = 24, 16, 56


def build_figure(view: PlaceView) -> Any:
    """A Plotly figure; its x axes count ms as `PlaceView.ms` does, shown as h:min:s."""
    panels = _panels(view)
    heights = [panel.height for panel in panels]
    total = sum(heights) + _GAP_PX * (len(panels) - 1)
    figure = make_subplots(
        rows=len(panels),
        cols=1,
        shared_xaxes=True,
        row_heights=[height / sum(heights) for height in heights],
        vertical_spacing=_GAP_PX / total,
    )
    for number, panel in enumerate(panels, start=1):
        for trace in panel.traces:
            figure.add_trace(trace, row=number, col=1)
        figure.update_yaxes(title_text=panel.title, row=number, col=1)
    _lay_out(figure, view, panels, total)
    return figure


def _panels(view: PlaceView) -> list[Panel]:
    found = [_advisories(view), *_waves(view), *_facts(view)]
    return [panel for panel in found if panel.traces]


def _advisories(view: PlaceView) -> Panel:
    bars = [*traces.settings_marks(view), *traces.advisory_bars(view)]
    lanes = len({trace.y[0] for trace in bars})
    return Panel("advisories", "", _LANE_PX * lanes + 12, bars)


def _waves(view: PlaceView) -> list[Panel]:
    panels = []
    if "paw" in view.waves:
        drawn = [traces.wave(view, "paw", "cmH2O", traces.PAW), *traces.breaths_in_pressure(view)]
        panels.append(Panel("paw", "Airway pressure<br>cmH2O", 210, drawn))
    if "co2" in view.waves:
        drawn = [traces.wave(view, "co2", "mmHg", traces.CO2)]
        panels.append(Panel("co2", "CO2<br>mmHg", 160, drawn))
    if "flow" in view.waves:
        drawn = [traces.wave(view, "flow", "mL/s", traces.FLOW)]
        panels.append(Panel("flow", "Flow<br>mL/s", 150, drawn))
    return panels


def _facts(view: PlaceView) -> list[Panel]:
    return [
        Panel("ti", "Ti, s", 90, _breath_dots(view, "Ti", "s", _ti_s)),
        Panel("rr", "RR, /min", 90, _rate(view)),
        Panel("volume", "VT, mL", 90, _volume(view)),
        Panel("etco2", "EtCO2, mmHg", 90, _etco2(view)),
        Panel("spo2", "SpO2, %", 90, _numeric(view, "spo2", "SpO2", "%")),
    ]


def _breath_dots(view: PlaceView, name: str, unit: str, value: Any) -> list[traces.Trace]:
    points = traces.known(view.breaths, value)
    return [traces.dots(points, view, name, unit, traces.PAW)] if points else []


def _ti_s(row: Row) -> float | None:
    ti_s: float | None = row["ti_s"]
    return ti_s


def _rate_per_min(row: Row) -> float | None:
    return None if row["te_s"] is None else _S_PER_MIN / (row["ti_s"] + row["te_s"])


def _rate(view: PlaceView) -> list[traces.Trace]:
    return [
        *_numeric(view, "rr", "RR", "/min"),
        *_breath_dots(view, "RR", "/min", _rate_per_min),
    ]


def _volume(view: PlaceView) -> list[traces.Trace]:
    seen = any(row["tidal_volume_ml"] is not None for row in view.breaths)
    return [traces.volume_interval(view)] if seen else []


def _etco2(view: PlaceView) -> list[traces.Trace]:
    ours = [traces.etco2_dots(view)] if view.capnogram else []
    return [*_numeric(view, "etco2", "EtCO2", "mmHg"), *ours]


def _numeric(view: PlaceView, numeric: str, name: str, unit: str) -> list[traces.Trace]:
    points = view.record.numerics.get(numeric, [])
    # A monitor that never had a value has no panel.
    if all(math.isnan(value) for _, value in points):
        return []
    return [traces.monitor_line(view, numeric, name, unit)]


def _lay_out(figure: Any, view: PlaceView, panels: list[Panel], total: int) -> None:
    first_ms, last_ms = view.ms(view.begins_s), view.ms(view.ends_s)
    figure.update_xaxes(
        type="date",
        range=[first_ms, last_ms],
        minallowed=first_ms - 1000.0,
        maxallowed=last_ms + 1000.0,
        tickformatstops=[
            {"dtickrange": [None, 1000], "value": "%H:%M:%S.%1f"},
            {"dtickrange": [1000, None], "value": "%H:%M:%S"},
        ],
        # A fixed number, or each panel chooses its own ticks.
        nticks=10,
        showspikes=True,
        spikemode="across",
        spikethickness=1,
        spikecolor="#999999",
        spikedash="dot",
        showgrid=True,
        gridcolor="#ececec",
        showline=True,
        linecolor="#c8c8c8",
    )
    figure.update_xaxes(title_text="Time from the start of the recording, h:min:s", row=len(panels))
    figure.update_yaxes(
        fixedrange=True, gridcolor="#ececec", zeroline=False, nticks=5, title_standoff=8,
        title_font_size=12, showline=True, linecolor="#c8c8c8",
    )  # fmt: skip
    _scale_facts(figure, panels)
    _name_lanes(figure, panels)
    _name_the_monitor_once(figure)
    figure.update_layout(
        template="none",
        height=total + 2 * _MARGIN_PX,
        margin={"l": 170, "r": 24, "t": 34, "b": _MARGIN_PX},
        font={"family": "system-ui, sans-serif", "size": 13, "color": "#1c1c1c"},
        paper_bgcolor="#ffffff",
        plot_bgcolor="#ffffff",
        dragmode="zoom",
        hovermode="closest",
        legend={"orientation": "h", "x": 0.0, "y": 1.0, "yanchor": "bottom"},
        shapes=_raised_lines(view),
    )


def _scale_facts(figure: Any, panels: list[Panel]) -> None:
    for number, panel in enumerate(panels, start=1):
        if panel.key in ("ti", "rr", "volume", "etco2"):
            figure.update_yaxes(rangemode="tozero", row=number)
        if panel.key == "spo2":
            lowest = min((value for value in panel.traces[0].y if value is not None), default=100.0)
            figure.update_yaxes(range=[min(88.0, lowest - 2.0), 101.0], row=number)


def _name_lanes(figure: Any, panels: list[Panel]) -> None:
    if panels and panels[0].key == "advisories":
        lanes = len({trace.y[0] for trace in panels[0].traces})
        figure.update_yaxes(
            type="category", range=[lanes - 0.4, -0.6], showgrid=False, tickfont={"size": 12}, row=1
        )


def _name_the_monitor_once(figure: Any) -> None:
    for trace in list(figure.select_traces({"legendgroup": "monitor"}))[1:]:
        trace.showlegend = False


def _raised_lines(view: PlaceView) -> list[dict[str, Any]]:
    """A thin line through all panels where an advisory was raised that stands on its own."""
    return [
        {
            "type": "line", "xref": "x", "yref": "paper", "y0": 0, "y1": 1,
            "x0": view.ms(stretch.raised_s), "x1": view.ms(stretch.raised_s), "layer": "below",
            "line": {"color": traces.PRIORITY[stretch.priority], "width": 1, "dash": "dot"},
        }
        for stretch in view.advisories
        if stretch.explained_by is None
    ]  # fmt: skip
