"""Facts of the data themselves: how old, how whole."""

from __future__ import annotations

from typing import Final

from rules.vocabulary.fact import Fact

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
    Fact("data.lost_60s", "messages found missing in the last 60 s", "intake", high=1e7),
    Fact("data.refused_60s", "messages refused in the last 60 s", "intake", high=1e7),
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
