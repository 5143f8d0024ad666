"""Statistics of a shift: the rates of each ward and place, beside what is published."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any, Final

from rules.notice import NOTICE
from rules.wording import duration
from service.handover import span_words, times_words
from service.instants import to_text
from service.rates import FIGURES, WINDOW_MS, Flood, Rates, Stood, Told, rates, rates_by

_MS_PER_S: Final = 1000.0


def shift(told: Sequence[Told], places: Sequence[str], from_ms: int, to_ms: int) -> dict[str, Any]:
    """The statistics as JSON; `places` are all that were watched, also silent ones."""
    by_place = rates_by(told, from_ms, to_ms, lambda place: place)
    by_ward = rates_by(told, from_ms, to_ms, _ward)
    nothing = rates([], from_ms, to_ms)
    return {
        "schema": 1,
        "notice": NOTICE,
        "from": to_text(from_ms),
        "to": to_text(to_ms),
        "span_s": (to_ms - from_ms) / _MS_PER_S,
        "published": dict(FIGURES),
        "wards": {
            ward: {
                **_body(by_ward.get(ward, nothing)),
                "places": {
                    place.partition("/")[2]: _body(by_place.get(place, nothing))
                    for place in sorted(places)
                    if _ward(place) == ward
                },
            }
            for ward in sorted({_ward(place) for place in places})
        },
    }


def _ward(place: str) -> str:
    return place.partition("/")[0]


def _body(figures: Rates) -> dict[str, Any]:
    return {
        "raised": figures.raised,
        "spoke": figures.spoke,
        "spoke_per_10_min": round(figures.mean_per_10_min, 2),
        "most_in_10_min": figures.most_in_10_min,
        "most_until": None if figures.most_until_ms is None else to_text(figures.most_until_ms),
        "floods": [_flood(flood) for flood in figures.floods],
        "flood_percent": round(figures.flood_percent, 1),
        "share_by_priority": {k: round(v, 1) for k, v in figures.share_by_priority.items()},
        "chattering": [asdict(chatter) for chatter in figures.chattering],
        "longest": [_stood(stood) for stood in figures.longest],
        "acknowledged": figures.acknowledged,
        "acknowledge_median_s": figures.acknowledge_median_s,
        "acknowledge_95th_s": figures.acknowledge_95th_s,
        "spoke_most": [{"rule": rule, "times": times} for rule, times in figures.spoke_most],
    }


def _flood(flood: Flood) -> dict[str, Any]:
    ends = None if flood.ends_ms is None else to_text(flood.ends_ms)
    return {"begins": to_text(flood.begins_ms), "ends": ends, "most": flood.most}


def _stood(stood: Stood) -> dict[str, Any]:
    ends = None if stood.ends_ms is None else to_text(stood.ends_ms)
    return {
        "place": stood.place,
        "rule": stood.rule,
        "begins": to_text(stood.begins_ms),
        "ends": ends,
        "lasted_s": stood.lasted_s,
    }


# -- text -------------------------------------------------------------------------------------


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
