"""A case: all that happened in the stay of one patient, in order of time."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from sqlite_utils import Database

from adapters.cases.reading import stay_at
from adapters.sqlite.history import place_id, read_past
from service import messages as wire
from service.cases.stays import Stay
from service.glance.card import SILENT_MS
from service.handover import Past, handover
from service.instants import from_text, to_text
from service.known import SettingsInfo
from service.settings import confirmed, is_same

Kind = Literal["phase", "settings", "journey", "advisory", "pause", "note", "silence"]

#: What is shown of a setting, in its UCUM unit.
SETTINGS: Final[Mapping[str, str]] = {
    "mode": "",
    "pip_target": "cm[H2O]",
    "peep_set": "cm[H2O]",
    "te_set": "s",
    "fresh_gas_flow": "mL/min",
}
#: Of the changes of an advisory, those that are part of the story.
_TOLD: Final = ("raised", "returned", "acknowledged", "escalated", "cleared")
#: What is told of a change of an advisory; all else stands under the advisory itself.
_CHANGE: Final = ("event", "by", "rule", "title", "priority", "says", "outranked_by")


@dataclass(frozen=True, slots=True)
class Entry:
    """Something that happened. `what` holds what the page needs to say it."""

    at_ms: int
    kind: Kind
    what: Mapping[str, Any]

    @property
    def at(self) -> str:
        """RFC 3339, UTC."""
        return to_text(self.at_ms)


@dataclass(frozen=True, slots=True)
class Case:
    """A stay, its story, its hand-over (see `service.handover`), and all events of the advisories
    that stood in it, as published."""

    stay: Stay
    entries: list[Entry]
    handover: Mapping[str, Any]
    events: Sequence[Mapping[str, Any]]


def read_case(db: Database, place: str, from_ms: int | None) -> Case:
    """The case at `WARD/PLACE` that lay there at `from_ms`, or the last one.

    Raises NoCaseError where nobody did, StoreError for a place that is not known.
    """
    stay = stay_at(db, place, from_ms)
    past = read_past(db, place, stay.from_ms, stay.to_ms)
    return Case(stay, _story(db, stay, past), handover(past), past.events)


def told(case: Case) -> list[dict[str, Any]]:
    """The story as JSON: `at`, `kind`, and what is told of it."""
    return [{"at": one.at, "kind": one.kind, **_what(one)} for one in case.entries]


def _what(one: Entry) -> dict[str, Any]:
    wanted = _CHANGE if one.kind == "advisory" else one.what.keys() - {"at"}
    return {key: one.what[key] for key in sorted(wanted)}


def _story(db: Database, stay: Stay, past: Past) -> list[Entry]:
    entries = [
        *_received(db, stay),
        *_advisories(past.events),
        *_pauses(past),
        *(Entry(from_text(note["at"]), "note", note) for note in past.notes),
    ]
    within = (one for one in entries if stay.from_ms <= one.at_ms <= stay.to_ms)
    return sorted(within, key=lambda one: one.at_ms)


def _received(db: Database, stay: Stay) -> Iterator[Entry]:
    """Phases, settings and journeys as they were said, and when nothing came at all."""
    rows = db.execute(
        """
        select received_ms, kind,
               case when kind in ('patient', 'settings', 'journey') then payload end
          from messages where place_id = ? and received_ms between ? and ? and kind <> 'request'
         order by received_ms, id
        """,
        [place_id(db, stay.place), stay.from_ms, stay.to_ms],
    )
    known: SettingsInfo | None = None
    phase: str | None = None
    heard_ms = stay.from_ms
    for received_ms, kind, payload in rows:
        if received_ms - heard_ms > SILENT_MS:
            yield Entry(heard_ms, "silence", {"lasted_s": (received_ms - heard_ms) / 1000.0})
        heard_ms = received_ms
        message = None if payload is None else wire.parse(kind, payload.encode())
        if isinstance(message, wire.Patient) and message.patient != stay.patient:
            return  # The next one: what it sends is its own.
        if isinstance(message, wire.Patient) and message.phase != phase:
            phase = message.phase
            yield Entry(received_ms, "phase", {"phase": phase})
        elif isinstance(message, wire.Settings):
            new = confirmed(known, message, received_ms, "")
            if not is_same(known, new):
                yield Entry(received_ms, "settings", {"changes": list(_changes(known, new))})
            known = new
        elif isinstance(message, wire.Journey):
            needed = message.minutes + message.return_minutes + message.margin_minutes
            leaves = to_text(message.leaves_at)
            yield Entry(
                received_ms, "journey", {"to": message.to, "leaves": leaves, "minutes": needed}
            )


def _changes(known: SettingsInfo | None, new: SettingsInfo) -> Iterator[dict[str, Any]]:
    for name, unit in SETTINGS.items():
        before, now = getattr(known, name, None), getattr(new, name)
        if before != now and now is not None:
            yield {"setting": name, "before": before, "now": now, "unit": unit}


def _advisories(events: Iterable[Mapping[str, Any]]) -> Iterator[Entry]:
    for body in events:
        if body["event"] in _TOLD:
            yield Entry(from_text(body["at"]), "advisory", body)


def _pauses(past: Past) -> Iterator[Entry]:
    for begun, ended in past.pauses:
        yield Entry(from_text(begun["at"]), "pause", {"event": "paused", **begun})
        if ended is not None:
            yield Entry(from_text(ended["at"]), "pause", {"event": "resumed", **ended})
