"""Statistics of a shift: the rates of each ward and place, beside what is published."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any, Final

from rules.notice import NOTICE
from service.instants import to_text
from service.rates import FIGURES, Flood, Rates, Stood, Told, rates, rates_by

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
