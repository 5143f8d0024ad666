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
        "power.not_charging_for",
        "time on mains without charging, the battery not being full",
        "power",
        unit="s",
        high=1e7,
    ),
    Fact(
        "gas.supply_pressure",
        "pressure of the gas supply",
        "numerics",
        unit="kPa",
        high=2000.0,
    ),
    Fact(
        "gas.supply_pressure_ratio",
        "pressure of the gas supply over what is usual here",
        "numerics",
        high=100.0,
        digits=2,
    ),
    Fact("gas.fio2", "inspired oxygen", "numerics", unit="%", high=100.0),
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
    Fact(
        "journey.spare_minutes_low",
        "minutes of battery left beyond what the journey needs, the low end",
        "journey",
        unit="min",
        low=-1e5,
        high=1e5,
    ),
)
