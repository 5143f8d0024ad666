"""The course of a case as one picture: SVG for a report that is read on paper and screen alike."""

from __future__ import annotations

import importlib.util
import io
from collections.abc import Mapping, Sequence
from datetime import UTC
from typing import TYPE_CHECKING, Any, Final

from adapters.cases.summary import limit_words
from adapters.texts import say
from rules.wording import unit_words
from service.cases.course import Curve, drawn, first_told
from service.cases.limit_lines import LimitLine
from service.cases.report import Record
from service.glance.vitals import UNITS, noise
from service.instants import from_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_INK, _SOFT, _LINE = "#1d2227", "#545d67", "#c9c9c2"
#: Priority is told by the colour, the pattern and the word beside it.
_BARS: Final = {"high": ("#9c1515", ""), "medium": ("#7a4c00", "//"), "low": ("#2b5266", "..")}
_WIDTH_IN, _LANE_IN, _PANEL_IN = 10.0, 0.26, 1.05
_MARGIN_IN: Final = 0.55
_MS_PER_DAY: Final = 86_400_000
_TIMES_NOISE: Final = 8.0
_ROOM: Final = 0.06
_LABEL: Final = 0.13
#: How an axis tells years, months, days, hours, minutes and seconds, and beside it the rest.
_TICKS: Final = ["%Y", "%Y-%m", "%m-%d", "%H:%M", "%H:%M", "%H:%M:%S"]
_OFFSETS: Final = ["", "", "%Y", "%Y-%m-%d", "%Y-%m-%d", "%Y-%m-%d"]


def can_draw() -> bool:
    """Whether the drawing library is installed; loads nothing."""
    return importlib.util.find_spec("matplotlib") is not None


def chart_svg(record: Record, advisories: Sequence[dict[str, Any]]) -> str:
    """Advisories as lanes, and below them each value with its limits, on one axis of time (UTC).

    ImportError without matplotlib. The same record gives the same bytes.
    """
    import matplotlib as mpl  # noqa: PLC0415 (optional)
    from matplotlib.figure import Figure  # noqa: PLC0415

    curves = first_told(record.curves)
    lanes = [one for one in advisories if one["outranked_by"] is None]
    heights = [_LANE_IN * max(1, len(lanes)), *[_PANEL_IN] * len(curves)]
    high = sum(heights) + _MARGIN_IN * 2
    # Text stays text, so that it can be found and read aloud.
    with mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": "tidewarden", "font.size": 8.5}):
        figure = Figure(figsize=(_WIDTH_IN, high), layout="constrained")
        axes = figure.subplots(
            len(heights), 1, sharex=True, squeeze=False, gridspec_kw={"height_ratios": heights}
        )[:, 0]
        _draw_lanes(axes[0], lanes)
        for ax, curve in zip(axes[1:], curves, strict=True):
            _draw_curve(ax, curve, [one for one in record.lines if one.vital is curve.vital])
        _draw_time(axes, record)
        figure.align_ylabels(axes[1:])
        written = io.StringIO()
        figure.savefig(written, format="svg", metadata={"Date": None, "Creator": None})
    svg = written.getvalue()
    return svg[svg.index("<svg") :]


def _when(at_ms: int) -> float:
    """A time as the library counts them: days since 1970."""
    return at_ms / _MS_PER_DAY


def _draw_lanes(ax: Axes, lanes: Sequence[dict[str, Any]]) -> None:
    for row, one in enumerate(lanes):
        colour, pattern = _BARS[one["priority"]]
        for span in one["spans"]:
            begun, ended = _when(from_text(span["from"])), _when(from_text(span["to"]))
            ax.barh(
                row, ended - begun, left=begun, height=0.6, color=colour, hatch=pattern,
                edgecolor="white" if pattern else colour, linewidth=0.5,
            )  # fmt: skip
    words = [f"{say('priority_' + one['priority'])}: {one['title']}" for one in lanes]
    ax.set_yticks(range(len(lanes)), words, color=_INK)
    ax.invert_yaxis()
    ax.tick_params(length=0)
    for side in ("top", "right", "left"):
        ax.spines[side].set_visible(False)
    ax.spines["bottom"].set_color(_LINE)
    if not lanes:
        ax.set_yticks([0], [say("report_nothing_advised")], color=_SOFT)


def _draw_curve(ax: Axes, curve: Curve, lines: Sequence[LimitLine]) -> None:
    points = drawn(curve).points
    values = [float("nan") if value is None else value for _, value in points]
    ax.plot([_when(ms) for ms, _ in points], values, color=_INK, linewidth=1.1)
    low, high = _shown_range(curve)
    # A limit far from all that was measured would flatten what is looked at: it stands in words.
    near = [line for line in lines if low - (high - low) <= line.value <= 2.0 * high - low]
    ends = [low, high, *(line.value for line in near)]
    ax.set_ylim(min(ends) - _ROOM * (high - low), max(ends) + _ROOM * (high - low))
    for line in near:
        begun, ended = _when(line.from_ms), _when(line.to_ms)
        ax.plot([begun, ended], [line.value] * 2, color=_SOFT, linewidth=0.9, linestyle="--")
    _name_limits(ax, {line.name: line for line in near})
    name, unit = say(f"vital_{curve.vital.value}"), unit_words(UNITS[curve.vital])
    ax.set_ylabel(f"{name}\n{unit}", rotation=0, ha="right", va="center", color=_INK)
    ax.grid(axis="both", color="#e7e7e1", linewidth=0.6)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set_color(_LINE)


def _name_limits(ax: Axes, last: Mapping[str, LimitLine]) -> None:
    """Each beside the end of its line; of two that lie close the upper one is moved up."""
    low, high = ax.get_ylim()
    free = low
    for line in sorted(last.values(), key=lambda line: line.value):
        at = max(line.value, free)
        free = at + _LABEL * (high - low)
        ax.annotate(
            f"{limit_words(line.name)} {line.value:g}", (_when(line.to_ms), at),
            xytext=(4, 0), textcoords="offset points", va="center", color=_SOFT, fontsize=7.5,
            annotation_clip=False,
        )  # fmt: skip


def _shown_range(curve: Curve) -> tuple[float, float]:
    """What was measured, wide enough that noise does not look like a course."""
    known = [value for _, value in curve.points if value is not None]
    low, high = min(known), max(known)
    middle = (low + high) / 2.0
    least = _TIMES_NOISE * noise(curve.vital, middle)
    if high - low < least:
        low, high = max(0.0, middle - least / 2.0), max(least, middle + least / 2.0)
    if UNITS[curve.vital] == "%" and high > 100.0:
        low, high = low - (high - 100.0), 100.0
    return low, high


def _draw_time(axes: Any, record: Record) -> None:
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter  # noqa: PLC0415 (optional)

    locator = AutoDateLocator(tz=UTC)  # type: ignore[no-untyped-call]
    axes[-1].set_xlim(_when(record.stay.from_ms), _when(record.stay.to_ms))
    axes[-1].xaxis.set_major_locator(locator)
    # In figures alone: the name of a month would be of one language.
    written = ConciseDateFormatter(  # type: ignore[no-untyped-call]
        locator, tz=UTC, formats=_TICKS, zero_formats=_TICKS, offset_formats=_OFFSETS
    )
    axes[-1].xaxis.set_major_formatter(written)
    axes[-1].set_xlabel("UTC", color=_SOFT)
    # Phases begin and end where a thin line runs through all of it.
    for one in record.stay.lying[1:]:
        for ax in axes:
            ax.axvline(_when(one.from_ms), color=_SOFT, linewidth=0.8, linestyle=":")
    axes[0].xaxis.set_ticks_position("none")
    for one in record.stay.lying:
        axes[0].annotate(
            say(f"phase_short_{one.patient.phase}"), (_when(one.from_ms), 1.0),
            xycoords=("data", "axes fraction"), xytext=(2, 4), textcoords="offset points",
            color=_SOFT, fontsize=7.5, annotation_clip=False,
        )  # fmt: skip
