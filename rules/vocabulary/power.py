"""Facts of supply, battery and journey."""

from __future__ import annotations

from typing import Final

from rules.vocabulary.fact import Fact, Kind, label

SUPPLIES: Final = ("mains", "battery")

POWER: Final = (
    label("power.supply", "what the ventilator runs on", "power", SUPPLIES),
    Fact("battery.charge", "battery charge", "power", unit="%", high=100.0),
    Fact(
        "battery.minutes_left",
        "minutes until the battery is empty at the present draw",
        "power",
        unit="min",
        high=1e5,
    ),
    Fact(
        "battery.minutes_left_low",
        "minutes until the battery is empty, the low end of what they may be",
        "power",
        unit="min",
        high=1e5,
    ),
    Fact(
        "battery.gauge_doubtful",
        "the charge gauge contradicts what is drawn, or has leapt or stuck",
        "power",
        kind=Kind.FLAG,
        unit="",
    ),
    Fact(
        "journey.leaves_in",
        "minutes until the planned journey leaves",
        "journey",
        unit="min",
        low=-1e5,
        high=1e5,
    ),
    Fact(
        "journey.minutes_needed",
        "minutes of battery the journey needs, with its margin",
        "journey",
        unit="min",
        high=1e5,
    ),
    Fact(
        "journey.spare_minutes",
        "minutes of battery left beyond what the journey needs",
        "journey",
        unit="min",
        low=-1e5,
        high=1e5,
    ),
)
