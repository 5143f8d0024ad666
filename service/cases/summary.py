"""A case in a few sentences, from the body of its report: what somebody must know of it first."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from rules.priority import Priority
from rules.wording import lasted, unit_words

Body = Mapping[str, Any]

_NAMES: Final[Mapping[str, str]] = {
    "etco2": "EtCO2",
    "fico2": "inspired CO2",
    "spo2": "SpO2",
    "pulse_rate": "pulse",
    "rr": "breaths",
    "pip": "peak pressure",
    "tidal_volume": "tidal volume",
    "temperature": "temperature",
    "charge": "battery",
}
_DIGITS: Final[Mapping[str, int]] = {"pip": 1, "tidal_volume": 1, "temperature": 1}
_LEAK: Final = " (worked out from flow and time: a leak makes it look larger than it is)"
#: Less of the time known than this is said.
_WHOLE: Final = 0.95
_SILENT_S: Final = 10.0


def number_words(vital: str, value: float) -> str:
    """With as many decimals as mean something."""
    return f"{value:.{_DIGITS.get(vital, 0)}f}"


def value_words(vital: str, value: float, unit: str) -> str:
    """`41 mmHg`, `9.5 mL`, `23/min`."""
    spelled = unit_words(unit)
    return number_words(vital, value) + ("" if spelled.startswith("/") else " ") + spelled


def limit_words(name: str) -> str:
    """`etco2_very_high` as it is told beside its value: `very high`."""
    return " ".join(name.split("_")[1:]) or name


def summary_lines(body: Body) -> list[str]:
    """The sentences. `body` is that of the report, without them."""
    return [
        _length(body),
        _advised(body["advisories"]),
        *_unseen(body["advisories"]),
        *(line for one in body["figures"] for line in _beyond(one)),
        *_unknown(body["figures"]),
        *_silence(body["lost"]),
    ]


def _length(body: Body) -> str:
    phases = ", ".join(f"{one['phase']} {lasted(one['lasted_s'])}" for one in body["phases"])
    over = "" if body["case"]["ended"] else ", not over yet"
    return f"Watched for {lasted(body['case']['lasted_s'])}{over}: {phases}."


def _advised(advisories: list[Body]) -> str:
    own = [one for one in advisories if one["outranked_by"] is None]
    if not advisories:
        return "Nothing was advised."
    parts = []
    for priority in sorted(Priority, key=lambda one: -one.rank):
        mine = [one for one in own if one["priority"] == priority.value]
        if mine:
            stood = lasted(sum(one["stood_s"] for one in mine))
            parts.append(f"{len(mine)} of {priority.value} priority (stood for {stood})")
    explained = len(advisories) - len(own)
    if explained:
        parts.append(f"{explained} explained by another")
    return f"Advised: {', '.join(parts)}."


def _unseen(advisories: list[Body]) -> Iterator[str]:
    high = [one for one in advisories if one["priority"] == "high" and one["outranked_by"] is None]
    unseen = [one["title"] for one in high if one["seen_by"] is None]
    if unseen:
        yield f"Nobody acknowledged: {'; '.join(unseen)}."
    seen = [one for one in high if one["seen_by"] is not None]
    if seen:
        slowest = max(seen, key=lambda one: float(one["seen_after_s"]))
        yield (
            f"Of high priority and acknowledged: {len(seen)}, the last of them after "
            f"{lasted(slowest['seen_after_s'])} ({slowest['title']}, by {slowest['seen_by']})."
        )


def _beyond(one: Body) -> Iterator[str]:
    """One sentence for each side on which limits were passed, that passed longest first."""
    for side in ("below", "above"):
        passed = [
            limit for limit in one["limits"] if limit["side"] == side and limit["beyond_s"] > 0.0
        ]
        if not passed:
            continue
        words = [
            f"{side} {value_words(one['vital'], limit['value'], one['unit'])} "
            f"({limit_words(limit['name'])}) for {lasted(limit['beyond_s'])}"
            for limit in sorted(passed, key=lambda limit: -float(limit["beyond_s"]))
        ]
        extreme = one["lowest"] if side == "below" else one["highest"]
        end = "lowest" if side == "below" else "highest"
        name = _NAMES[one["vital"]]
        doubt = _LEAK if one["vital"] == "tidal_volume" and side == "above" else ""
        yield (
            f"{name[0].upper()}{name[1:]} {', '.join(words)}; {end} "
            f"{value_words(one['vital'], extreme, one['unit'])}{doubt}."
        )


def _unknown(figures: list[Body]) -> Iterator[str]:
    parts = [
        f"{_NAMES[one['vital']]} for {100.0 * (1.0 - one['known_share']):.0f} %"
        for one in figures
        if one["known_share"] < _WHOLE
    ]
    if parts:
        yield f"Not known, of the time: {', '.join(parts)}."
    missing = [name for vital, name in _NAMES.items() if vital not in _measured(figures)]
    if missing:
        yield f"Never measured: {', '.join(missing)}."


def _measured(figures: list[Body]) -> set[str]:
    return {str(one["vital"]) for one in figures}


def _silence(lost: Body) -> Iterator[str]:
    if lost["longest_silence_s"] >= _SILENT_S:
        yield f"Nothing at all came for {lasted(lost['longest_silence_s'])} at the longest."
