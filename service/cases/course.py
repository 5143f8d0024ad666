"""The course of one value, as a monitor, each breath or the supply tells it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final, Literal

from service.cases.thinning import Point, thinned, with_gaps
from service.glance import Vital
from service.glance.card import SILENT_MS
from service.glance.vitals import OLD_MS

Teller = Literal["monitor", "breath", "supply"]

#: In the order in which they are shown. Where both tell a value, the monitor goes first.
SHOWN: Final[tuple[tuple[Vital, Teller], ...]] = (
    (Vital.ETCO2, "monitor"), (Vital.ETCO2, "breath"),
    (Vital.FICO2, "monitor"), (Vital.FICO2, "breath"),
    (Vital.SPO2, "monitor"),
    (Vital.PULSE, "monitor"),
    (Vital.RATE, "monitor"), (Vital.RATE, "breath"),
    (Vital.PIP, "monitor"), (Vital.PIP, "breath"),
    (Vital.VOLUME, "breath"),
    (Vital.TEMPERATURE, "monitor"),
    (Vital.BATTERY, "supply"),
)  # fmt: skip
#: After this long without a value its curve is broken: a slow reptile breathes once a minute, and
#: a battery is told of more seldom than a pulse.
GAP_MS: Final[dict[Teller, int]] = {"monitor": SILENT_MS, "breath": OLD_MS, "supply": OLD_MS}


@dataclass(frozen=True, slots=True)
class Curve:
    """The course of one value in its own unit, by who tells it: (ms since 1970, value), in order;
    None says that from there on it is not known."""

    vital: Vital
    by: Teller
    points: list[Point] = field(default_factory=list)


def drawn(curve: Curve) -> Curve:
    """As it is drawn: broken where nothing came, with as many points only as can be seen."""
    return Curve(curve.vital, curve.by, thinned(with_gaps(curve.points, GAP_MS[curve.by])))


def first_told(curves: Iterable[Curve]) -> list[Curve]:
    """Of each value the course by the first who tells it; in the order of `SHOWN`."""
    found: dict[Vital, Curve] = {}
    for curve in curves:
        if any(value is not None for _, value in curve.points):
            found.setdefault(curve.vital, curve)
    return list(found.values())
