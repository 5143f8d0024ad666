"""The statistics of a shift as lines of text for a terminal."""

from __future__ import annotations

from typing import Any, Final

from adapters.cases.handover_lines import span_words, times_words
from rules.wording import duration
from service.rates import WINDOW_MS

_MS_PER_S: Final = 1000.0


def shift_lines(body: dict[str, Any]) -> list[str]:
    """The statistics as lines of text, without the notice."""
    lines = [f"Shift, {span_words(body['from'], body['to'])}"]
    short = _shorter_than_window(body)
    if short:
        lines.append(
            f"Shorter than 10 min: all figures are of {short} alone. The published ones are of "
            "whole 10 min, in steady state; beside them this says little."
        )
    for ward, figures in body["wards"].items():
        lines += ["", f"Ward {ward}: {len(figures['places'])} places", *_ward_lines(figures, body)]
    return lines


def _shorter_than_window(body: dict[str, Any]) -> str:
    """How long a span is in which no rate over 10 min can be had; empty for a longer one."""
    span_s: float = body["span_s"]
    return duration(span_s) if _MS_PER_S * span_s < WINDOW_MS else ""


def _ward_lines(figures: dict[str, Any], body: dict[str, Any]) -> list[str]:
    published = body["published"]
    shares = ", ".join(f"{k} {v:g} %" for k, v in figures["share_by_priority"].items())
    rows = [
        ("advisories spoke", times_words(figures["spoke"]), ""),
        ("in 10 min, mean", _mean(figures, body), published["spoke_per_10_min"]),
        ("busiest 10 min", _busiest(figures), ""),
        ("time in flood", f"{figures['flood_percent']:g} %", published["flood_percent"]),
        ("by priority", shares or "none spoke", published["share_by_priority"]),
        ("chattering", _chattering(figures), published["chattering"]),
        ("acknowledged", _acknowledged(figures), ""),
    ]
    lines = []
    for name, value, figure in rows:
        lines.append(f"  {name:<17} {value}")
        if figure:
            lines.append(f"  {'':<17} published: {figure}")
    lines += ["", "  Spoke most"]
    lines += [f"    {times_words(r['times']):>9}  {r['rule']}" for r in figures["spoke_most"]] or [
        "    nothing"
    ]
    lines += ["", "  Stood longest"]
    lines += [f"    {_stood_words(row)}" for row in figures["longest"]] or ["    nothing"]
    return [*lines, "", *_place_lines(figures["places"])]


def _place_lines(places: dict[str, Any]) -> list[str]:
    heads = ("raised", "spoke", "most in 10 min", "in flood")
    width = max(len("By place"), *(len(name) for name in places))
    lines = [f"  {'By place':<{width}}  {'  '.join(heads)}"]
    for name, of in places.items():
        values = (of["raised"], of["spoke"], of["most_in_10_min"], f"{of['flood_percent']:g} %")
        cells = (f"{value:>{len(head)}}" for value, head in zip(values, heads, strict=True))
        lines.append(f"  {name:<{width}}  {'  '.join(cells)}")
    return lines


def _mean(figures: dict[str, Any], body: dict[str, Any]) -> str:
    short = _shorter_than_window(body)
    of_what = f", all of them in {short}: no more was watched" if short else ""
    return f"{figures['spoke_per_10_min']:g}{of_what}"


def _busiest(figures: dict[str, Any]) -> str:
    until = figures["most_until"]
    return f"{figures['most_in_10_min']}" + (f", up to {until[11:16]}" if until else "")


def _chattering(figures: dict[str, Any]) -> str:
    found = [f"{c['place']} {c['rule']} ({c['times']} times)" for c in figures["chattering"]]
    return ", ".join(found) or "none"


def _acknowledged(figures: dict[str, Any]) -> str:
    if not figures["acknowledged"]:
        return "none"
    median, most = figures["acknowledge_median_s"], figures["acknowledge_95th_s"]
    words = f"half within {duration(median)}, 95 % within {duration(most)}"
    return f"{figures['acknowledged']}: {words}"


def _stood_words(row: dict[str, Any]) -> str:
    still = "" if row["ends"] else ", still stands"
    return f"{duration(row['lasted_s']):>6}  {row['place']}  {row['rule']}{still}"
