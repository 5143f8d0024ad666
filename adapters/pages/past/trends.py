"""The last hours of one place as a page needs them to draw and to tell: plain JSON."""

from __future__ import annotations

from typing import Any

from sqlite_utils import Database

from adapters.cases.curves import read_curves
from adapters.cases.reading import read_lying, rules_then
from adapters.sqlite.history import place_id, read_events
from service.cases.advised import Advised, advised
from service.cases.course import GAP_MS, Curve
from service.cases.limit_lines import LimitLine, limit_lines
from service.cases.stays import Lying, stays
from service.glance.vitals import NOISE, OLD_MS, UNITS


def trends(
    db: Database, place: str, from_ms: int, to_ms: int, after_ms: int | None = None
) -> dict[str, Any]:
    """Curves, limits and advisories of a span; with `after_ms` only the newest of each curve.

    It begins when the patient came: what was measured of the one before says nothing of this one.

    What is found in a breath is kept when it is over: so the newest begin a little before
    `after_ms`, and take the place of what is drawn from `read_from_ms` on. StoreError for a place
    that the store does not know.
    """
    row = place_id(db, place)
    lying, rules = read_lying(db, row, to_ms), rules_then(db, to_ms)
    there = stays(place, lying)
    from_ms = max(from_ms, there[-1].from_ms) if there else from_ms
    read_from_ms = from_ms if after_ms is None else max(from_ms, after_ms - OLD_MS)
    lines = [] if rules is None else limit_lines(rules, lying, from_ms)
    found = [one for one in advised(read_events(db, place, from_ms, to_ms)) if one.spans]
    return {
        "from_ms": from_ms,
        "to_ms": to_ms,
        "read_from_ms": read_from_ms,
        "patient": _patient(lying[-1]) if lying else None,
        "rules": None if rules is None else rules.spec,
        "curves": [_curve(one) for one in read_curves(db, row, read_from_ms, to_ms)],
        "limits": [_limit(one) for one in lines],
        "advisories": [_advised(one) for one in found],
    }


def _patient(lying: Lying) -> dict[str, Any]:
    one = lying.patient
    who = {"patient": one.patient, "species": one.species, "phase": one.phase}
    return {**who, "mass_kg": lying.mass_kg}


def _curve(curve: Curve) -> dict[str, Any]:
    return {
        "vital": curve.vital.value,
        "by": curve.by,
        "unit": UNITS[curve.vital],
        "gap_ms": GAP_MS[curve.by],
        "noise": NOISE[curve.vital],
        "points": [[at, None if value is None else round(value, 3)] for at, value in curve.points],
    }


def _limit(line: LimitLine) -> dict[str, Any]:
    return {
        "vital": line.vital.value,
        "name": line.name,
        "value": round(line.value, 3),
        "from_ms": line.from_ms,
        "to_ms": line.to_ms,
    }


def _advised(one: Advised) -> dict[str, Any]:
    kept = ("id", "rule", "title", "priority", "says", "acknowledged_by")
    return {
        **{key: one.body[key] for key in kept},
        "explained": one.body["outranked_by"] is not None,
        "spans": one.spans,
    }
