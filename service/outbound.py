"""Messages out: advisory events, standing snapshots, derived results, replies, rejections, health.

JSON with sorted keys and no spaces, so that the same decision always gives the same bytes.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass
from typing import Any

from rules.differential import Weighed
from rules.model import RuleSet
from rules.notice import NOTICE
from service.advisories import Advisory, AdvisoryEvent, Book, Pause
from service.gathering import Group, gather
from service.instants import to_text
from service.intake import Refused
from service.known import Completed


@dataclass(frozen=True, slots=True)
class Outgoing:
    """One message to publish."""

    topic: str
    payload: bytes
    retain: bool = False


def encode(body: dict[str, Any]) -> bytes:
    """The JSON bytes of a message."""
    return json.dumps(
        body, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    ).encode()


def _topic(place: str, kind: str) -> str:
    return f"tidewarden/1/{place}/{kind}"


def _instant(instant_ms: int | None) -> str | None:
    return None if instant_ms is None else to_text(instant_ms)


def rule_set_words(rule_set: RuleSet) -> dict[str, str]:
    """Which rules decided: name, version and content hash."""
    return {"name": rule_set.name, "version": rule_set.version, "sha256": rule_set.sha256}


def _round(value: float | bool | str | None) -> float | bool | str | None:
    return round(value, 6) if isinstance(value, float) else value


def _advisory_body(place: str, advisory: Advisory, rule_set: RuleSet) -> dict[str, Any]:
    ward, _, bed = place.partition("/")
    return {
        "ward": ward,
        "place": bed,
        "patient": advisory.patient,
        "id": advisory.id,
        "rule": advisory.rule,
        "rule_set": rule_set_words(rule_set),
        "priority": advisory.priority.value,
        "state": advisory.state,
        "onset": to_text(advisory.onset_ms),
        "raised_at": to_text(advisory.raised_ms),
        "acknowledged_at": _instant(advisory.acknowledged_ms),
        "acknowledged_by": advisory.acknowledged_by,
        "ended_at": _instant(advisory.ended_ms),
        "cleared_at": _instant(advisory.cleared_ms),
        "returned_at": _instant(advisory.returned_ms),
        "escalated_at": _instant(advisory.escalated_ms),
        "times": advisory.times,
        "intermittent": advisory.intermittent,
        "outranked_by": advisory.outranked_by,
        "title": advisory.title,
        "says": advisory.says,
        "because": advisory.because,
        "look_at": advisory.look_at,
        "cause": advisory.cause,
        "may_be": [_weighed(one) for one in advisory.differential],
        "source": {"ref": advisory.source, "confidence": advisory.confidence},
        "caution": advisory.caution,
        "clears_when": advisory.clears_when,
        "uncertainty": advisory.uncertainty,
        "evidence": [
            {
                name: _round(value) if not isinstance(value, list) else value
                for name, value in asdict(evidence).items()
            }
            for evidence in advisory.evidence
        ],
    }


def _weighed(one: Weighed) -> dict[str, Any]:
    return {
        "cause": one.cause,
        "title": one.title,
        "look": one.look,
        "fits": list(one.fits),
        "against": list(one.against),
        "undecided": one.open,
    }


def _group(group: Group) -> dict[str, Any]:
    return {
        "cause": group.cause,
        "title": group.title,
        "look": group.look,
        "fits": list(group.fits),
        "against": list(group.against),
        "or": [{"cause": o.cause, "title": o.title, "look": o.look} for o in group.others],
        "advisories": list(group.advisories),
    }


def event_body(place: str, event: AdvisoryEvent, rule_set: RuleSet) -> dict[str, Any]:
    """One change of an advisory, as published and as kept in the store."""
    return {
        "schema": 1,
        "event": event.kind,
        "at": to_text(event.at_ms),
        "by": event.by,
        "reason": event.reason,
        "speaks": event.speaks,
        "notice": NOTICE,
        **_advisory_body(place, event.advisory, rule_set),
    }


def advisory_message(place: str, body: dict[str, Any]) -> Outgoing:
    """`advisory`: one change."""
    return Outgoing(_topic(place, "advisory"), encode(body))


def _pause_body(pause: Pause | None) -> dict[str, str] | None:
    if pause is None:
        return None
    return {
        "by": pause.by,
        "since": to_text(pause.since_ms),
        "until": to_text(pause.until_ms),
        "reason": pause.reason,
    }


def standing_message(place: str, book: Book, now_ms: int, rule_set: RuleSet) -> Outgoing:
    """`standing` (retained): everything that stands at the place, highest first; its pause.

    `problems` gathers them by what they point to.
    """
    standing = book.standing()
    body = {
        "schema": 1,
        "at": to_text(now_ms),
        "notice": NOTICE,
        "paused": _pause_body(book.pause),
        "problems": [_group(group) for group in gather(standing)],
        "standing": [_advisory_body(place, item, rule_set) for item in standing],
    }
    return Outgoing(_topic(place, "standing"), encode(body), retain=True)


def reply_message(
    place: str, request_id: str, now_ms: int, *, done: bool, reason: str | None
) -> Outgoing:
    """`reply`: what became of a request."""
    body = {
        "schema": 1,
        "request": request_id,
        "at": to_text(now_ms),
        "done": done,
        "reason": reason,
    }
    return Outgoing(_topic(place, "reply"), encode(body))


def rejected_message(instance: str, refused: Refused) -> Outgoing:
    """`rejected`: why a message cannot be used, and how to find it in the store."""
    arrival = refused.arrival
    body = {
        "schema": 1,
        "at": to_text(arrival.received_ms),
        "topic": arrival.topic,
        "reason": refused.reason,
        "bytes": len(arrival.payload),
        "sha256": hashlib.sha256(arrival.payload).hexdigest(),
    }
    return Outgoing(f"tidewarden/1/service/{instance}/rejected", encode(body))


def _quantity(value: float | None, unit: str, digits: int) -> dict[str, Any] | None:
    return None if value is None else {"value": round(value, digits), "unit": unit}


def derived_messages(place: str, completed: Completed) -> list[Outgoing]:
    """`derived`: each whole breath seen in pressure, and each seen in CO2."""
    topic = _topic(place, "derived")
    messages = []
    for breath, volume in completed.breaths:
        inflation = breath.inflation
        body: dict[str, Any] = {
            "schema": 1,
            "channel": "paw",
            "at": to_text(round(inflation.start_s * 1000)),
            "ti": _quantity(inflation.ti_s, "s", 3),
            "te": _quantity(breath.te_s, "s", 3),
            "pip": _quantity(inflation.pip_cmh2o, "cm[H2O]", 2),
            "baseline": _quantity(inflation.baseline_cmh2o, "cm[H2O]", 2),
            "mean": _quantity(breath.mean_cmh2o, "cm[H2O]", 2),
            "tidal_volume": _quantity(None if volume is None else volume.value, "mL", 2),
            "tidal_volume_interval_90": None
            if volume is None
            else {"low": round(volume.low, 2), "high": round(volume.high, 2), "unit": "mL"},
            "kind": inflation.kind,
            "kind_because": inflation.why,
            "quality": round(inflation.quality, 2),
        }
        messages.append(Outgoing(topic, encode(body)))
    for seen in completed.co2_breaths:
        body = {
            "schema": 1,
            "channel": "co2",
            "at": to_text(round(seen.start_s * 1000)),
            "etco2": _quantity(seen.etco2_mmhg, "mm[Hg]", 2),
            "fico2": _quantity(seen.fico2_mmhg, "mm[Hg]", 2),
        }
        messages.append(Outgoing(topic, encode(body)))
    return messages
