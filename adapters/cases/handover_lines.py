"""The hand-over of a place as lines of text, made from its JSON body so that both say the same."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from adapters.texts import say
from rules.priority import Priority
from rules.wording import duration
from service.glance.card import SILENT_MS
from service.instants import from_text

Body = Mapping[str, Any]

_MOST_LOOKS: Final = 3
_INDENT: Final = " " * 12
#: A time without any message that is told.
SILENT_S: Final = SILENT_MS / 1000.0


def handover_lines(body: Body) -> list[str]:
    """The hand-over (see `service.handover`), without the notice. Times are UTC."""
    most = [f"{times_words(row['times'])}: {row['title']}" for row in body["spoke_most"]]
    noted = [f"{_time(note['at'])} {note['by']}: {note['text']}" for note in body["notes"]]
    place = f"{body['ward']}/{body['place']}"
    return [
        say("hand_title", place=place, span=span_words(body["from"], body["to"])),
        _patient_line(body["patient"]),
        *_section("hand_stands", _standing_lines(body)),
        *_section("hand_gone", [_gone_line(row) for row in body["came_and_went"]]),
        *_section("hand_paused", [_pause_line(row) for row in body["pauses"]]),
        *_section("hand_noted", noted),
        *_section("hand_spoke_most", most),
        *_section("hand_lost", lost_lines(body["lost"])),
    ]


def lost_lines(lost: Body) -> list[str]:
    """What of the readings could not be used, from the body's `lost`."""
    lines = [
        say("lost_refused", times=times_words(count), why=why)
        for why, count in lost["refused"].items()
    ]
    for name, counts in lost["samples"].items():
        if counts["missing"]:
            share = 100.0 * counts["missing"] / counts["sent"]
            lines.append(say("lost_samples", name=name, percent=f"{share:.1f}"))
    for name, counts in lost["values"].items():
        if counts["without"]:
            lines.append(
                say("lost_values", name=name, without=counts["without"], sent=counts["sent"])
            )
    if lost["longest_silence_s"] >= SILENT_S:
        lines.append(say("lost_silence", lasted=duration(lost["longest_silence_s"])))
    return lines


def span_words(begins: str, ends: str) -> str:
    """`2026-11-25 13:00 to 21:00 UTC (8 h)`."""
    until = ends[11:16] if ends[:10] == begins[:10] else f"{ends[:10]} {ends[11:16]}"
    lasted = duration((from_text(ends) - from_text(begins)) / 1000.0)
    return say("hand_span", begins=f"{begins[:10]} {begins[11:16]}", ends=until, lasted=lasted)


def times_words(times: int) -> str:
    """`once`, `twice`, `3 times`."""
    return say(f"times_{times}") if times in (1, 2) else say("times_many", count=times)


def _section(heading: str, lines: Sequence[str]) -> list[str]:
    if not lines:
        return ["", say("hand_nothing", heading=say(heading))]
    return ["", say(heading), *(f"  {line}" for line in lines)]


def _patient_line(patient: Body | None) -> str:
    if patient is None:
        return say("hand_nobody")
    mass = f"{patient['mass']:g} {patient['mass_unit']}" if patient["mass"] else say("hand_no_mass")
    return say(
        "hand_patient",
        name=patient["patient"],
        species=patient["species"],
        kind=patient["class"],
        mass=mass,
        phase=say(f"phase_short_{patient['phase']}"),
    )


def _standing_lines(body: Body) -> list[str]:
    told = {item["id"]: item["says"] for item in body["standing"]}
    lines = []
    for item in body["standing"]:
        lines.append(f"{_priority_words(item['priority'])}  {item['says']}")
        lines.append(_INDENT + _how_it_stands(item))
        if item["outranked_by"] in told:
            lines.append(_INDENT + say("hand_explained", says=told[item["outranked_by"]]))
        else:
            looks = item["look_at"][:_MOST_LOOKS]
            lines += [_INDENT + say("hand_look", look=look) for look in looks]
    return lines


def _priority_words(priority: str) -> str:
    """`!!  medium`, as wide for each."""
    return f"{Priority(priority).mark} {say('hand_' + priority):<6}"


def _how_it_stands(item: Body) -> str:
    parts = [say("hand_for", lasted=duration(item["for_s"]))]
    if item["times"] > 1:
        again = times_words(item["times"])
        parts.append(say("hand_again", times=again, since=_time(item["raised_at"])))
    if item["escalated_at"]:
        parts.append(say("hand_escalated", since=_time(item["escalated_at"])))
    if item["ended_at"]:
        parts.append(say("hand_over", since=_time(item["ended_at"])))
    if item["acknowledged_by"]:
        at = _time(item["acknowledged_at"])
        parts.append(say("hand_seen", at=at, by=item["acknowledged_by"]))
    else:
        parts.append(say("hand_unseen"))
    return "; ".join(parts)


def _gone_line(row: Body) -> str:
    times, handled = row["times"], row["acknowledged_times"]
    longest = duration(row["longest_s"])
    if times == 1:
        seen = say("gone_seen" if handled else "gone_unseen")
        stood = say("gone_once", lasted=longest)
    else:
        seen = say("gone_seen_of", seen=handled, count=times) if handled else say("gone_unseen")
        stood = say("gone_often", times=times_words(times), lasted=longest)
    words = say(
        "gone_line", title=row["title"], stood=stood, at=_time(row["last_cleared_at"]), seen=seen
    )
    return f"{_priority_words(row['priority'])}  {words}"


def _pause_line(row: Body) -> str:
    since = say(
        "hand_pause",
        at=_time(row["since"]),
        lasted=duration(row["lasted_s"]),
        by=row["by"],
        reason=row["reason"],
    )
    if row["ended_at"] is None:
        return f"{since} {say('hand_still_paused')}"
    return f"{since} {say('hand_pause_ended', why=row['ended_because'])}"


def _time(instant: str) -> str:
    return instant[11:16]
