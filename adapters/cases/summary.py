"""A case in a few sentences, from the body of its report: what somebody must know of it first."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from adapters.cases.handover_lines import SILENT_S
from adapters.texts import say
from rules.priority import Priority
from rules.wording import lasted, unit_words

Body = Mapping[str, Any]

#: In the order in which what was never measured is told.
_VITALS: Final = ("etco2", "fico2", "spo2", "pulse_rate", "rr", "pip", "tidal_volume",
                  "temperature", "charge")  # fmt: skip
_DIGITS: Final[Mapping[str, int]] = {"pip": 1, "tidal_volume": 1, "temperature": 1}
#: Less of the time known than this is said.
_WHOLE: Final = 0.95


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
    """The sentences. `body` is that of the report (see `service.cases.report`)."""
    return [
        _length(body),
        _advised(body["advisories"]),
        *_unseen(body["advisories"]),
        *(line for one in body["figures"] for line in _beyond(one)),
        *_unknown(body["figures"]),
        *_silence(body["lost"]),
    ]


def _length(body: Body) -> str:
    phases = (
        f"{say('phase_short_' + one['phase'])} {lasted(one['lasted_s'])}" for one in body["phases"]
    )
    key = "sum_watched" if body["case"]["ended"] else "sum_watched_so_far"
    return say(key, lasted=lasted(body["case"]["lasted_s"]), phases=", ".join(phases))


def _advised(advisories: list[Body]) -> str:
    own = [one for one in advisories if one["outranked_by"] is None]
    if not advisories:
        return say("report_nothing_advised")
    parts = []
    for priority in sorted(Priority, key=lambda one: -one.rank):
        mine = [one for one in own if one["priority"] == priority.value]
        if mine:
            stood = lasted(sum(one["stood_s"] for one in mine))
            parts.append(say(f"sum_{priority.value}", count=len(mine), stood=stood))
    explained = len(advisories) - len(own)
    if explained:
        parts.append(say("sum_explained", count=explained))
    return say("sum_advised", parts=", ".join(parts))


def _unseen(advisories: list[Body]) -> Iterator[str]:
    high = [one for one in advisories if one["priority"] == "high" and one["outranked_by"] is None]
    unseen = [one["title"] for one in high if one["seen_by"] is None]
    if unseen:
        yield say("sum_unseen", titles="; ".join(unseen))
    seen = [one for one in high if one["seen_by"] is not None]
    if seen:
        slowest = max(seen, key=lambda one: float(one["seen_after_s"]))
        yield say(
            "sum_seen",
            count=len(seen),
            after=lasted(slowest["seen_after_s"]),
            title=slowest["title"],
            by=slowest["seen_by"],
        )


def _beyond(one: Body) -> Iterator[str]:
    """One sentence for each side on which limits were passed, that passed longest first."""
    vital, unit = one["vital"], one["unit"]
    for side, end in (("below", "lowest"), ("above", "highest")):
        passed = [
            limit for limit in one["limits"] if limit["side"] == side and limit["beyond_s"] > 0.0
        ]
        if not passed:
            continue
        parts = [
            say(
                f"sum_{side}",
                value=value_words(vital, limit["value"], unit),
                limit=limit_words(limit["name"]),
                lasted=lasted(limit["beyond_s"]),
            )
            for limit in sorted(passed, key=lambda limit: -float(limit["beyond_s"]))
        ]
        doubt = say("sum_leak") if vital == "tidal_volume" and side == "above" else ""
        extreme = say(f"sum_{end}", value=value_words(vital, one[end], unit))
        yield f"{say(f'vital_{vital}')} {', '.join(parts)}; {extreme}{doubt}."


def _unknown(figures: list[Body]) -> Iterator[str]:
    shares = [(one["vital"], one["known_share"]) for one in figures if one["known_share"] < _WHOLE]
    parts = [
        say("sum_share", name=_name(vital), percent=round(100.0 * (1.0 - share)))
        for vital, share in shares
    ]
    if parts:
        yield say("sum_unknown", parts=", ".join(parts))
    measured = {one["vital"] for one in figures}
    missing = [_name(vital) for vital in _VITALS if vital not in measured]
    if missing:
        yield say("sum_never", names=", ".join(missing))


def _name(vital: str) -> str:
    """As it is called within a sentence."""
    return say(f"sum_name_{vital}")


def _silence(lost: Body) -> Iterator[str]:
    if lost["longest_silence_s"] >= SILENT_S:
        yield say("sum_silence", lasted=lasted(lost["longest_silence_s"]))
