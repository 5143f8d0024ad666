"""Facts of the lung behind the breaths, and of what has changed."""

from __future__ import annotations

from typing import Final

from rules.vocabulary.fact import Fact, interval, label

VOLUME_METHODS: Final = ("flow-and-time", "flow-wave")
CAUSES: Final = (
    "none", "compliance-down", "compliance-up", "resistance-up", "resistance-down", "leak",
    "less-leak", "flow", "occlusion", "disconnection", "exhalation-blocked", "unclear",
)  # fmt: skip

LUNG: Final = (
    label("volume.method", "how the tidal volume is known", "volume", VOLUME_METHODS),
    *interval("volume.tidal", "tidal volume", "volume", "mL", 5000.0),
    *interval("volume.per_kg", "tidal volume per body mass", "volume", "mL/kg", 200.0),
    Fact(
        "lung.compliance",
        "compliance of the respiratory system from flow and the pressure rise",
        "volume",
        unit="mL/cm[H2O]",
        high=1000.0,
        digits=2,
    ),
    *interval("lung.compliance", "compliance", "volume", "mL/cm[H2O]", 1000.0, 2),
    Fact(
        "lung.compliance_over_expected",
        "compliance over that of a resting animal of this mass",
        "volume",
        high=1000.0,
        digits=2,
    ),
    Fact(
        "lung.resistance",
        "resistance of tube and airway from flow and the pressure step",
        "volume",
        unit="cm[H2O].s/L",
        high=1e5,
    ),
    *interval("lung.resistance", "resistance", "volume", "cm[H2O].s/L", 1e5),
    label("change.cause", "what has most likely changed since the baseline", "changes", CAUSES),
    Fact(
        "change.confidence",
        "how sure the cause of the change is, from 0 to 1",
        "changes",
        high=1.0,
        digits=2,
    ),
    Fact(
        "change.factor",
        "compliance, resistance or flow over its baseline; "
        "of a leak the share of gas lost at the peak",
        "changes",
        high=1000.0,
        digits=2,
    ),
    label(
        "change.second", "the next likely cause of the change since the baseline", "changes", CAUSES
    ),
    Fact(
        "change.lasts",
        "time since the change from the baseline was seen",
        "changes",
        unit="s",
        high=1e7,
    ),
)
