"""What is usual for the patient at a place, as it is told: the baselines that have been learnt."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from service.bedside import Bedside
from service.instants import to_text
from service.outbound import Outgoing, encode

#: Name of each on the wire, its unit, and its decimals.
_TOLD: Final[Mapping[str, tuple[str, str, int]]] = {
    "ti": ("ti", "s", 3),
    "slope": ("slope", "cm[H2O]/s", 2),
    "step": ("step", "cm[H2O]", 2),
    "volume": ("tidal_volume", "mL", 2),
    "etco2": ("etco2", "mm[Hg]", 1),
}


def usual_of(bedside: Bedside) -> dict[str, float]:
    """What has been learnt there so far; empty while all is still being learnt."""
    return {**bedside.pressure_baseline.learnt, **bedside.co2_baseline.learnt}


def usual_message(place: str, usual: Mapping[str, float], now_ms: int) -> Outgoing:
    """`usual` (retained): each baseline at place WARD/PLACE, or null while it is being learnt."""
    values = {
        told: {"value": round(usual[name], digits), "unit": unit} if name in usual else None
        for name, (told, unit, digits) in _TOLD.items()
    }
    body: dict[str, Any] = {"schema": 1, "at": to_text(now_ms), "values": values}
    return Outgoing(f"tidewarden/1/{place}/usual", encode(body), retain=True)
