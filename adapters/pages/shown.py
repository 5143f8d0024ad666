"""A card as the page is told it: plain JSON, with ages instead of times.

Clocks of browsers are wrong. So each age is counted here, in s, when it is sent, and the page
counts on from there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any, Final

from service.glance import Card, Seen, Shown, Standing, Vital, card_of
from service.glance.seen import Usual
from service.glance.supply import readiness
from service.messages import Waveform

_MS_PER_S: Final = 1000.0


def card_body(card: Card, now_ms: int) -> dict[str, Any]:
    """A card for the page."""
    ward, _, place = card.name.partition("/")
    return {
        "name": card.name,
        "ward": ward,
        "place": place,
        "patient": card.patient,
        "species": card.species,
        "mass_kg": card.mass_kg,
        "phase": card.phase,
        "mode": card.mode,
        "priority": None if card.priority is None else card.priority.value,
        "standing": [_standing(one, now_ms) for one in card.standing],
        "look": card.look,
        "values": [_value(one, now_ms) for one in card.shown],
        "need": list(card.need),
        "age_s": _age_s(card.reading_ms, now_ms),
        "unjudged": card.unjudged,
        "settings_s": _age_s(card.settings_ms, now_ms),
        "over": None
        if card.over is None
        else {
            "title": card.over.title,
            "priority": card.over.priority.value,
            "age_s": _age_s(card.over.ended_ms, now_ms),
        },
        "paused_s": None
        if card.paused_until_ms is None
        else max(0.0, (card.paused_until_ms - now_ms) / _MS_PER_S),
    }


#: What the page of a patient shows of an advisory, as it was published.
_IN_FULL: Final = (
    "id", "rule", "priority", "title", "says", "because", "look_at", "may_be", "evidence",
    "clears_when", "caution", "uncertainty", "source", "acknowledged_by", "outranked_by",
)  # fmt: skip


def patient_body(seen: Seen, now_ms: int) -> dict[str, Any]:
    """One place in full: its card with all values, what stands with its reasons, its settings,
    and how long its battery lasts."""
    card = card_of(seen, now_ms, most=len(Vital))
    ready = readiness(seen.supply, seen.battery.estimate, seen.journey, now_ms)
    return {
        "card": card_body(card, now_ms),
        "paused": seen.paused,
        "settings": _settings(seen, now_ms),
        "usual": _usual(seen.usual, now_ms),
        "supply": None if ready is None else asdict(ready),
        "standing": [{name: body.get(name) for name in _IN_FULL} for body in seen.standing],
    }


def wave_body(wave: Waveform) -> dict[str, Any]:
    """A block of a signal; `at_ms` is by the clock of its device, and orders blocks among
    themselves."""
    return {
        "channel": wave.channel,
        "at_ms": wave.at,
        "rate_hz": wave.rate_hz,
        "samples": [None if value is None else round(value, 2) for value in wave.samples],
    }


#: Settings as a ventilator confirms them, and their units.
_SETTINGS: Final[Mapping[str, str]] = {
    "pip_target": "cm[H2O]",
    "peep_set": "cm[H2O]",
    "te_set": "s",
    "fresh_gas_flow": "mL/min",
}


#: What is usual, as it is read: what the lungs get, then how the pressure gets there.
_USUAL: Final = ("tidal_volume", "ti", "etco2", "slope", "step")


def _settings(seen: Seen, now_ms: int) -> dict[str, Any] | None:
    known = seen.settings
    if known is None:
        return None
    values = [
        {"setting": name, "value": round(value, 2), "unit": unit}
        for name, unit in _SETTINGS.items()
        if (value := getattr(known, name)) is not None
    ]
    return {
        "values": values,
        "changed_s": _age_s(known.changed_ms, now_ms),
        "seen_changing": known.changed_ms != seen.settings_heard_ms,
        "age_s": _age_s(known.received_ms, now_ms),
    }


def _usual(usual: Usual | None, now_ms: int) -> dict[str, Any] | None:
    if usual is None:
        return None
    return {
        "values": [
            {"name": name, **quantity}
            for name in _USUAL
            if (quantity := usual.values.get(name)) is not None
        ],
        "age_s": _age_s(usual.since_ms, now_ms),
    }


def _standing(one: Standing, now_ms: int) -> dict[str, Any]:
    return {
        "id": one.id,
        "rule": one.rule,
        "priority": one.priority.value,
        "title": one.title,
        "says": one.says,
        "age_s": _age_s(one.since_ms, now_ms),
        "by": one.acknowledged_by,
        "explained": one.explained_by is not None,
    }


def _value(one: Shown, now_ms: int) -> dict[str, Any]:
    return {
        "vital": one.vital.value,
        "value": None if one.value is None else round(one.value, 3),
        "unit": one.unit,
        "direction": one.direction,
        "status": one.status,
        "usual": None if one.usual is None else round(one.usual, 3),
        "age_s": _age_s(one.received_ms, now_ms),
    }


def _age_s(at_ms: int | None, now_ms: int) -> float | None:
    return None if at_ms is None else max(0.0, (now_ms - at_ms) / _MS_PER_S)
