"""Facts of the data themselves: how old, how whole."""

from __future__ import annotations

from typing import Final

from rules.vocabulary.fact import Fact, label

SENSOR_STATES: Final = ("ok", "sensor-off", "warming-up", "out-of-range", "questionable")

DATA: Final = (
    Fact(
        "data.any_age",
        "time since anything was received from this place",
        "intake",
        unit="s",
        high=1e7,
    ),
    Fact("data.paw_age", "time since airway pressure was received", "intake", unit="s", high=1e7),
    Fact("data.co2_age", "time since CO2 was received", "intake", unit="s", high=1e7),
    Fact("data.spo2_age", "time since saturation was received", "intake", unit="s", high=1e7),
    Fact(
        "data.settings_age",
        "time since the ventilator last confirmed its settings",
        "intake",
        unit="s",
        high=1e7,
    ),
    Fact("data.lost_60s", "messages found missing in the last 60 s", "intake", high=1e7),
    Fact(
        "data.lost_share_60s",
        "share of the messages of the last 60 s that are missing",
        "intake",
        high=1.0,
        digits=2,
    ),
    Fact("data.refused_60s", "messages refused in the last 60 s", "intake", high=1e7),
    Fact(
        "data.paw_missing_10s",
        "share of the airway pressure samples of the last 10 s that are lost",
        "intake",
        high=1.0,
        digits=2,
    ),
    Fact(
        "data.devices_60s",
        "devices that sent the same thing (pressure, CO2 or settings) in the last 60 s",
        "intake",
        high=1e3,
    ),
    Fact(
        "data.patients_claimed_60s",
        "different patients that devices heard in the last 60 s report for",
        "intake",
        high=1e3,
    ),
    Fact(
        "data.restarts_10min",
        "times in ten minutes that a device started anew",
        "intake",
        high=1e4,
    ),
    label("sensor.paw", "what the pressure sensor says of itself", "intake", SENSOR_STATES),
    label("sensor.co2", "what the CO2 sensor says of itself", "intake", SENSOR_STATES),
    label("sensor.spo2", "what the saturation probe says of itself", "intake", SENSOR_STATES),
    Fact(
        "data.clock_skew",
        "how far the device's clock is from ours (device behind is positive)",
        "intake",
        unit="s",
        low=-1e9,
        high=1e9,
        digits=1,
    ),
)
