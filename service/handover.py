"""The hand-over of one place: what stands, what came and went, pauses, what was lost.

Worked out from what was published and kept. Times are UTC.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from rules.notice import NOTICE
from rules.priority import Priority
from service.instants import from_text, to_text

Body = Mapping[str, Any]

_SPOKE_MOST: Final = 3


@dataclass(frozen=True, slots=True)
class Lost:
    """What of the readings could not be used.

    Refused messages by reason; by channel the samples missing and sent; by name the values without
    a reading and all; seconds of the longest time in which nothing came at all.
    """

    refused: Mapping[str, int] = field(default_factory=dict)
    samples: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    values: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    longest_silence_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Past:
    """What is known of one place over a span.

    `patient` is the last patient message of the place; `events` are the bodies of all advisory
    events, in order, of every advisory that stood in the span, also those before it; `pauses` are
    pairs of a pause's beginning and its end (None: not over): `at`, `by`, `reason`, `until`;
    `notes` are what people wrote: `at`, `by`, `text`.
    """

    place: str
    from_ms: int
    to_ms: int
    patient: Body | None
    events: Sequence[Body]
    pauses: Sequence[tuple[Body, Body | None]] = ()
    lost: Lost = Lost()
    notes: Sequence[Body] = ()


def handover(past: Past) -> dict[str, Any]:
    """The hand-over as JSON."""
    latest = {body["id"]: body for body in past.events}
    ward, _, place = past.place.partition("/")
    return {
        "schema": 1,
        "notice": NOTICE,
        "ward": ward,
        "place": place,
        "from": to_text(past.from_ms),
        "to": to_text(past.to_ms),
        "patient": _patient(past.patient),
        "standing": [_standing(body, past.to_ms) for body in _in_order(latest.values())],
        "came_and_went": _came_and_went(past),
        "pauses": [_pause(begun, ended, past.to_ms) for begun, ended in past.pauses],
        "notes": [dict(note) for note in past.notes],
        "spoke_most": _spoke_most(past),
        "lost": _lost(past.lost),
    }


def _patient(message: Body | None) -> dict[str, Any] | None:
    if message is None:
        return None
    mass = message.get("mass") or {}
    known = {key: message.get(key) for key in ("patient", "species", "class", "phase", "at")}
    return {**known, "mass": mass.get("value"), "mass_unit": mass.get("unit")}


def _in_order(latest: Iterable[Body]) -> list[Body]:
    standing = [body for body in latest if body["state"] != "cleared"]
    return sorted(
        standing,
        key=lambda b: (
            b["outranked_by"] is not None,
            -Priority(b["priority"]).rank,
            b["onset"],
            b["rule"],
        ),
    )


def _standing(body: Body, to_ms: int) -> dict[str, Any]:
    kept = ("id", "rule", "priority", "state", "says", "look_at", "raised_at", "returned_at",
            "ended_at", "escalated_at", "acknowledged_at", "acknowledged_by",
            "outranked_by")  # fmt: skip
    since = body.get("returned_at") or body["raised_at"]
    return {
        **{key: body.get(key) for key in kept},
        # Bodies of an older store do not say how often: once.
        "times": body.get("times", 1),
        "for_s": (to_ms - from_text(since)) / 1000.0,
    }


def _came_and_went(past: Past) -> list[dict[str, Any]]:
    """What was cleared in the span, by rule; what stands now is told of elsewhere."""
    stretches: dict[str, list[float]] = {}
    last: dict[str, Body] = {}
    handled: Counter[str] = Counter()
    began: dict[str, int] = {}
    for body in past.events:
        rule, at_ms = body["rule"], from_text(body["at"])
        if body["event"] in ("raised", "returned"):
            began[body["id"]] = at_ms
        elif body["event"] == "cleared" and at_ms >= past.from_ms:
            begun_ms = began.pop(body["id"], from_text(body["raised_at"]))
            stretches.setdefault(rule, []).append((at_ms - begun_ms) / 1000.0)
            last[rule] = body
            handled[rule] += body["acknowledged_by"] is not None
    rows = [
        {
            "rule": rule,
            "title": last[rule]["title"],
            "priority": last[rule]["priority"],
            "times": len(lasted),
            "longest_s": max(lasted),
            "last_cleared_at": last[rule]["at"],
            "acknowledged_times": handled[rule],
        }
        for rule, lasted in stretches.items()
    ]
    return sorted(rows, key=lambda r: (-Priority(r["priority"]).rank, -r["times"], r["rule"]))


def _pause(begun: Body, ended: Body | None, to_ms: int) -> dict[str, Any]:
    until_ms = to_ms if ended is None else from_text(ended["at"])
    return {
        "by": begun["by"],
        "reason": begun["reason"],
        "since": begun["at"],
        "ended_at": None if ended is None else ended["at"],
        "ended_by": None if ended is None else ended["by"],
        "ended_because": None if ended is None else ended["reason"],
        "lasted_s": (until_ms - from_text(begun["at"])) / 1000.0,
    }


def _spoke_most(past: Past) -> list[dict[str, Any]]:
    spoke = [b for b in past.events if b.get("speaks") and from_text(b["at"]) >= past.from_ms]
    titles = {body["rule"]: body["title"] for body in spoke}
    counts = sorted(
        Counter(body["rule"] for body in spoke).items(), key=lambda item: (-item[1], item[0])
    )
    return [
        {"rule": rule, "title": titles[rule], "times": times}
        for rule, times in counts[:_SPOKE_MOST]
    ]


def _lost(lost: Lost) -> dict[str, Any]:
    return {
        "refused": dict(lost.refused),
        "samples": {
            name: {"missing": missing, "sent": sent}
            for name, (missing, sent) in lost.samples.items()
        },
        "values": {
            name: {"without": without, "sent": sent}
            for name, (without, sent) in lost.values.items()
        },
        "longest_silence_s": lost.longest_silence_s,
    }
