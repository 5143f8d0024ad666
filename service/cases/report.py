"""The report of a case: who it was, what it comes to, what was measured, advised and done.

As JSON; every text and page of it is made from this body, so that all of them say the same. Times
are RFC 3339 in UTC, values in their UCUM units.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from rules.model import RuleSet
from rules.notice import NOTICE
from rules.priority import Priority
from service.cases.advised import Advised
from service.cases.course import Curve, first_told
from service.cases.figures import Figures, at_marks, figures_of, step_ms
from service.cases.limit_lines import LimitLine
from service.cases.stays import Stay
from service.glance.vitals import UNITS
from service.instants import from_text, to_text
from service.outbound import rule_set_words

Body = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Record:
    """What a store holds of a stay.

    `curves` are as they were told; `story` is what happened, in order: `at`, `kind` and what is
    told of it; `rules` decided, each with since when (ms since 1970); `lost` as in the hand-over.
    """

    stay: Stay
    curves: Sequence[Curve]
    lines: Sequence[LimitLine]
    advised: Sequence[Advised]
    story: Sequence[Body]
    rules: Sequence[tuple[int, RuleSet]]
    lost: Body


def case_report(record: Record) -> dict[str, Any]:
    """The report as JSON."""
    stay = record.stay
    figures = [
        one
        for curve in first_told(record.curves)
        if (one := figures_of(curve, record.lines, stay.to_ms)) is not None
    ]
    return {
        "schema": 1,
        "notice": NOTICE,
        "case": _case(stay),
        "phases": _phases(stay),
        "rules": [{**rule_set_words(one), "since": to_text(ms)} for ms, one in record.rules],
        "figures": [_figures(one, stay) for one in figures],
        "record": _marks(figures, stay),
        "advisories": [_advisory(one, stay) for one in _in_order(record.advised)],
        "story": [dict(one) for one in record.story],
        "lost": dict(record.lost),
    }


def _case(stay: Stay) -> dict[str, Any]:
    one = stay.last
    ward, _, place = stay.place.partition("/")
    return {
        "patient": stay.patient,
        "species": one.patient.species,
        "class": one.patient.class_,
        "mass_kg": one.mass_kg,
        "ward": ward,
        "place": place,
        "from": to_text(stay.from_ms),
        "to": to_text(stay.to_ms),
        "ended": stay.ended,
        "lasted_s": (stay.to_ms - stay.from_ms) / 1000.0,
    }


def _phases(stay: Stay) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    for one in stay.lying:
        lasted_s = (one.to_ms - one.from_ms) / 1000.0
        if found and found[-1]["phase"] == one.patient.phase:
            found[-1]["lasted_s"] += lasted_s
        else:
            begun = to_text(one.from_ms)
            found.append({"phase": one.patient.phase, "from": begun, "lasted_s": lasted_s})
    return found


def _figures(one: Figures, stay: Stay) -> dict[str, Any]:
    vital = one.curve.vital
    return {
        "vital": vital.value,
        "unit": UNITS[vital],
        "told_by": one.curve.by,
        "known_s": one.known_s,
        "known_share": round(one.known_s / max(0.001, (stay.to_ms - stay.from_ms) / 1000.0), 3),
        "lowest": round(one.lowest, 3),
        "lowest_at": to_text(one.lowest_ms),
        "median": round(one.median, 3),
        "highest": round(one.highest, 3),
        "highest_at": to_text(one.highest_ms),
        "limits": [
            {
                "name": beyond.name,
                "side": beyond.side,
                "value": round(beyond.value, 3),
                "beyond_s": beyond.beyond_s,
            }
            for beyond in one.beyond
        ],
    }


def _marks(figures: Sequence[Figures], stay: Stay) -> dict[str, Any]:
    """The values every so many minutes, at whole ones of them; None where one was not known."""
    every_ms = step_ms(stay.from_ms, stay.to_ms)
    first_ms = -(-stay.from_ms // every_ms) * every_ms
    marks_ms = range(first_ms, stay.to_ms + 1, every_ms)
    columns = {one.curve.vital.value: at_marks(one.curve, marks_ms, stay.to_ms) for one in figures}
    rows = [
        {
            "at": to_text(at_ms),
            "values": {
                vital: None if (value := column[row]) is None else round(value, 3)
                for vital, column in columns.items()
            },
        }
        for row, at_ms in enumerate(marks_ms)
    ]
    return {"every_s": every_ms / 1000.0, "rows": rows}


def _in_order(found: Sequence[Advised]) -> list[Advised]:
    return sorted(
        (one for one in found if one.spans),
        key=lambda one: (
            one.body["outranked_by"] is not None,
            -Priority(one.body["priority"]).rank,
            one.spans[0][0],
        ),
    )


def _advisory(one: Advised, stay: Stay) -> dict[str, Any]:
    spans = [
        (max(begun, stay.from_ms), min(stay.to_ms if ended is None else ended, stay.to_ms))
        for begun, ended in one.spans
    ]
    kept = ("id", "rule", "title", "priority", "says", "because", "look_at", "source",
            "uncertainty", "rule_set", "outranked_by")  # fmt: skip
    return {
        **{key: one.body[key] for key in kept},
        "spans": [{"from": to_text(begun), "to": to_text(ended)} for begun, ended in spans],
        "stood_s": sum(max(0, ended - begun) for begun, ended in spans) / 1000.0,
        "stands": one.stands and not stay.ended,
        **_seen(one),
    }


def _seen(one: Advised) -> dict[str, Any]:
    """Who acknowledged it first, and how long after it was first raised."""
    for change in one.changes:
        if change["event"] == "acknowledged":
            after_s = (from_text(change["at"]) - one.spans[0][0]) / 1000.0
            return {"seen_by": change["by"], "seen_after_s": after_s}
    return {"seen_by": None, "seen_after_s": None}
