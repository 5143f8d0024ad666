"""The courses of a patient's values, from a store: by the monitor, and from each breath."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from sqlite_utils import Database

from service.cases.course import SHOWN, Curve, Teller, drawn
from service.cases.thinning import Point
from service.glance import Vital
from service.messages import Power, parse


def read_courses(db: Database, place_id: int, from_ms: int, to_ms: int) -> list[Curve]:
    """All courses over a span (its beginning excluded), as they were told."""
    found = {(vital, by): Curve(vital, by) for vital, by in SHOWN}
    for by, vital, point in _points(db, place_id, from_ms, to_ms):
        curve = found.get((vital, by))
        if curve is not None:
            curve.points.append(point)
    return [Curve(one.vital, one.by, sorted(one.points, key=_when)) for one in found.values()]


def read_curves(db: Database, place_id: int, from_ms: int, to_ms: int) -> list[Curve]:
    """The same as curves: with gaps as None, and as many points only as can be seen."""
    return [drawn(one) for one in read_courses(db, place_id, from_ms, to_ms)]


def _when(point: Point) -> int:
    return point[0]


def _points(
    db: Database, place_id: int, from_ms: int, to_ms: int
) -> Iterator[tuple[Teller, Vital, Point]]:
    span = {"place_id": place_id, "from_ms": from_ms, "to_ms": to_ms}
    for vital, point in _numerics(db, span):
        yield "monitor", vital, point
    for point in _charge(db, span):
        yield "supply", Vital.BATTERY, point
    for at_ms, ti_s, te_s, pip, volume in _breaths(db, span, "breaths", _OF_BREATHS):
        yield "breath", Vital.PIP, (at_ms, pip)
        yield "breath", Vital.VOLUME, (at_ms, volume)
        if ti_s is not None and te_s is not None:
            yield "breath", Vital.RATE, (at_ms, 60.0 / (ti_s + te_s))
    for at_ms, etco2, fico2 in _breaths(db, span, "co2_breaths", _OF_CO2):
        yield "breath", Vital.ETCO2, (at_ms, etco2)
        yield "breath", Vital.FICO2, (at_ms, fico2)


def _numerics(db: Database, span: dict[str, int]) -> Iterator[tuple[Vital, Point]]:
    rows = db.execute(
        """
        select m.received_ms, n.name, n.value, n.status
          from messages m cross join numerics n on n.message_id = m.id
         where m.place_id = :place_id and m.received_ms > :from_ms and m.received_ms <= :to_ms
           and m.kind = 'numerics'
         order by m.received_ms
        """,
        span,
    )
    vitals = {vital.value: vital for vital in Vital}
    for at_ms, name, value, status in rows:
        if name in vitals:
            # What a monitor itself doubts is no value.
            yield vitals[name], (at_ms, None if status == "questionable" else value)


def _charge(db: Database, span: dict[str, int]) -> Iterator[Point]:
    rows = db.execute(
        """
        select received_ms, payload from messages
         where place_id = :place_id and received_ms > :from_ms and received_ms <= :to_ms
           and kind = 'power'
         order by received_ms
        """,
        span,
    )
    for at_ms, payload in rows:
        message = parse("power", payload.encode())
        if isinstance(message, Power) and message.charge is not None:
            yield at_ms, message.charge.usable


_OF_BREATHS: Final = "b.ti_s, b.te_s, b.pip_cmh2o, b.tidal_volume_ml"
_OF_CO2: Final = "b.etco2_mmhg, b.fico2_mmhg"


def _breaths(
    db: Database, span: dict[str, int], table: str, columns: str
) -> Iterator[tuple[Any, ...]]:
    """By the time of receipt, as all else here: clocks of devices differ.

    Breaths lie in the order in which they were seen, so the newest are read until they are too old;
    the unary plus keeps the place's index, which would sort all of them, out of this.
    """
    rows = db.execute(
        f"""
        select m.received_ms, {columns}
          from {table} b cross join messages m on m.id = b.message_id
         where +b.place_id = :place_id
         order by b.id desc
        """,  # noqa: S608 - our words
        span,
    )
    for row in rows:
        if row[0] <= span["from_ms"]:
            return
        if row[0] <= span["to_ms"]:
            yield tuple(row)
