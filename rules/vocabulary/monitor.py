"""Facts of saturation, pulse and temperature."""

from __future__ import annotations

from typing import Final

from rules.vocabulary.fact import Fact, Kind

MONITOR: Final = (
    Fact("spo2", "pulse oximeter saturation", "numerics", unit="%", high=100.0),
    Fact(
        "spo2.slope_60s",
        "how fast saturation rises (falls when below zero), as shown 8 to 20 s late",
        "vitals",
        unit="%/min",
        low=-6000.0,
        high=6000.0,
        digits=1,
    ),
    Fact(
        "spo2.doubtful",
        "the pulse rate that comes with saturation is implausible, or has stuck",
        "vitals",
        kind=Kind.FLAG,
        unit="",
    ),
    Fact(
        "spo2.late_sign",
        "on fresh gas, taken for oxygen: a normal saturation says nothing of ventilation",
        "vitals",
        kind=Kind.FLAG,
        unit="",
    ),
    Fact(
        "spo2.po2_equivalent",
        "arterial PO2 that saturation stands for in this mammal, at pH 7.4",
        "vitals",
        unit="mm[Hg]",
        high=760.0,
    ),
    Fact(
        "spo2.po2_equivalent_low",
        "arterial PO2 that saturation stands for, the low end of what it may be",
        "vitals",
        unit="mm[Hg]",
        high=760.0,
    ),
    Fact(
        "spo2.po2_equivalent_high",
        "arterial PO2 that saturation stands for, the high end of what it may be",
        "vitals",
        unit="mm[Hg]",
        high=760.0,
    ),
    Fact("pulse_rate", "pulse rate", "numerics", unit="/min", low=1.0, high=1500.0),
    Fact(
        "pulse.over_expected",
        "pulse rate over that of an awake animal of this mass",
        "vitals",
        high=100.0,
        digits=2,
    ),
    Fact(
        "temperature.slope_per_h",
        "how fast body temperature has changed over ten minutes (falls when below zero)",
        "vitals",
        unit="K/h",
        low=-1000.0,
        high=1000.0,
        digits=1,
    ),
    Fact("temperature", "body temperature", "numerics", unit="Cel", low=0.0, high=50.0, digits=1),
)
