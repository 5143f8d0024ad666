"""The values of a patient: which of them matter now, and where they go."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import fmean
from typing import Final, Literal


class Vital(StrEnum):
    """A value that a card can show."""

    ETCO2 = "etco2"
    FICO2 = "fico2"
    SPO2 = "spo2"
    PULSE = "pulse_rate"
    RATE = "rr"
    PIP = "pip"
    TEMPERATURE = "temperature"
    VOLUME = "tidal_volume"
    BATTERY = "charge"


UNITS: Final[Mapping[Vital, str]] = {
    Vital.ETCO2: "mm[Hg]",
    Vital.FICO2: "mm[Hg]",
    Vital.SPO2: "%",
    Vital.PULSE: "/min",
    Vital.RATE: "/min",
    Vital.PIP: "cm[H2O]",
    Vital.TEMPERATURE: "Cel",
    Vital.VOLUME: "mL",
    Vital.BATTERY: "%",
}

Direction = Literal["rising", "falling", "steady"]

KEPT_MS: Final = 120_000
#: A value this old is not shown as one of now: breaths of a slow reptile come once a minute.
OLD_MS: Final = 90_000
#: The mean of the last 15 s is held against that of the 15 s a minute before.
_SPAN_MS: Final = 15_000
_BACK_MS: Final = 60_000
#: Less than this is no direction but noise: (in the unit, as a share). Our choice.
NOISE: Final[Mapping[Vital, tuple[float, float]]] = {
    Vital.ETCO2: (2.0, 0.06),
    Vital.FICO2: (1.0, 0.0),
    Vital.SPO2: (1.5, 0.0),
    Vital.PULSE: (0.0, 0.08),
    Vital.RATE: (1.0, 0.15),
    Vital.PIP: (1.0, 0.10),
    Vital.TEMPERATURE: (0.2, 0.0),
    Vital.VOLUME: (0.0, 0.10),
    Vital.BATTERY: (1.0, 0.0),
}
#: What an advisory rests on, by the beginning of the fact's name, and the value that shows it.
_SHOWN_BY: Final = (
    ("etco2", Vital.ETCO2),
    ("fico2", Vital.FICO2),
    ("co2.", Vital.ETCO2),
    ("spo2", Vital.SPO2),
    ("pulse", Vital.PULSE),
    ("temperature", Vital.TEMPERATURE),
    ("battery", Vital.BATTERY),
    ("power", Vital.BATTERY),
    ("journey", Vital.BATTERY),
    ("supply", Vital.BATTERY),
    ("volume", Vital.VOLUME),
    ("ti.", Vital.VOLUME),
    ("slope.", Vital.VOLUME),
    ("paw", Vital.PIP),
    ("breath", Vital.RATE),
    ("rr", Vital.RATE),
)
#: What is looked at first in each phase (common practice, no source).
_BY_PHASE: Final[Mapping[str, tuple[Vital, ...]]] = {
    "weaning": (Vital.RATE, Vital.ETCO2, Vital.SPO2),
    "recovery": (Vital.SPO2, Vital.RATE, Vital.TEMPERATURE),
    "transfer": (Vital.SPO2, Vital.BATTERY, Vital.ETCO2),
}
_USUAL: Final = (Vital.ETCO2, Vital.VOLUME, Vital.SPO2)
#: More than this nobody takes in at a glance.
MOST: Final = 3


@dataclass(frozen=True, slots=True)
class Shown:
    """A value as it is shown: in its UCUM unit, or `status` says why there is none.

    `usual` is what is usual for this patient, where the value is not: what has fallen to a third
    and stays there is steady, and nothing less than well.
    """

    vital: Vital
    value: float | None
    unit: str
    direction: Direction | None
    status: str | None
    received_ms: int
    usual: float | None = None


def that_matter(
    known: Iterable[Vital], phase: str | None, facts: Sequence[str], most: int = MOST
) -> tuple[Vital, ...]:
    """So many of the vitals known: first what the most urgent advisory rests on (`facts`)."""
    wanted = [
        *(vital for fact in facts if (vital := _shown_by(fact)) is not None),
        *_BY_PHASE.get(phase or "", _USUAL),
        *Vital,
    ]
    there = frozenset(known)
    return tuple(dict.fromkeys(vital for vital in wanted if vital in there))[:most]


def _shown_by(fact: str) -> Vital | None:
    return next((vital for begin, vital in _SHOWN_BY if fact.startswith(begin)), None)


def noise(vital: Vital, value: float) -> float:
    """By how much a value moves without meaning anything, in its unit."""
    absolute, share = NOISE[vital]
    return max(absolute, share * abs(value))


def differs(vital: Vital, before: float, after: float) -> bool:
    """Whether a value is another one, by more than noise."""
    return abs(after - before) > noise(vital, before)


def direction_of(
    vital: Vital, course: Sequence[tuple[int, float]], now_ms: int
) -> Direction | None:
    """Where a value goes, from (time, value) in order; None while too little is known of it."""
    now = [value for at_ms, value in course if now_ms - _SPAN_MS < at_ms <= now_ms]
    then_ms = now_ms - _BACK_MS
    then = [value for at_ms, value in course if then_ms - _SPAN_MS < at_ms <= then_ms]
    if not now or not then:
        return None
    before, after = fmean(then), fmean(now)
    if not differs(vital, before, after):
        return "steady"
    return "rising" if after > before else "falling"
