"""Reading what a store holds of the past: advisory events, pauses, patients, losses."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from sqlite_utils import Database

from adapters.sqlite.reading import StoreError, read_progress
from adapters.sqlite.schema import SELDOM
from service.handover import Lost, Past
from service.instants import from_text, to_text
from service.rates import Told


def reached_ms(db: Database) -> int:
    """How far the store has come; StoreError for one that holds nothing, or is of an old form."""
    if not db.table("pause_events").exists():
        raise StoreError(
            "this store is of an older form; let `tidewarden serve` take it up once, then try again"
        )
    progress = read_progress(db)
    if progress is None:
        raise StoreError("this store holds nothing yet")
    return progress.reached_ms


def first_ms(db: Database) -> int | None:
    """When the first message was received."""
    row = db.execute("select min(received_ms) from messages").fetchone()
    return None if row[0] is None else int(row[0])


def read_places(db: Database) -> list[str]:
    """All places of the store as `ward/place`, in order."""
    rows = db.execute("select ward || '/' || place from places order by 1")
    return [str(name) for (name,) in rows]


def read_told(db: Database, from_ms: int, to_ms: int) -> list[Told]:
    """All advisory events of a span, in order."""
    rows = db.execute(
        """
        select e.at, p.ward || '/' || p.place, json_extract(e.body, '$.priority'), a.rule,
               e.event, e.speaks
          from advisory_events e
          join advisories a on a.id = e.advisory_id
          join places p on p.id = a.place_id
         where e.at >= :begin and e.at < :end
         order by e.id
        """,
        {"begin": to_text(from_ms), "end": to_text(to_ms)},
    )
    return [
        Told(from_text(at), place, priority, rule, kind, bool(speaks))
        for at, place, priority, rule, kind, speaks in rows
    ]


def read_heard(db: Database, from_ms: int, to_ms: int, bin_ms: int) -> int:
    """In how many stretches of `bin_ms` something came of a place, over all places.

    One look into the index for each stretch: a store may hold millions of messages.
    """
    row = db.execute(
        """
        with recursive heard(place_id, at) as (
          select id, (select min(received_ms) from messages
                       where place_id = places.id and received_ms >= :begin) from places
          union all
          select place_id, (select min(received_ms) from messages
                             where place_id = heard.place_id
                               and received_ms >= (heard.at / :bin + 1) * :bin)
            from heard where at < :end)
        select count(*) from heard where at < :end
        """,
        {"begin": from_ms, "end": to_ms, "bin": bin_ms},
    ).fetchone()
    return int(row[0])


def read_past(db: Database, place: str, from_ms: int, to_ms: int) -> Past:
    """What a store holds of one place over a span; StoreError when it knows no such place."""
    span = _span(db, place, from_ms, to_ms)
    return Past(
        place,
        from_ms,
        to_ms,
        _patient(db, span),
        _events(db, span),
        list(_pauses(db, span)),
        _lost(db, span),
        read_notes(db, place, from_ms, to_ms),
    )


def read_notes(db: Database, place: str, from_ms: int, to_ms: int) -> list[dict[str, Any]]:
    """What people noted at `WARD/PLACE` over a span, in order: `at`, `by`, `text`."""
    rows = db.execute(
        f"""
        select received_ms, json_extract(payload, '$.by'), json_extract(payload, '$.reason')
          from messages
         where place_id = ? and received_ms between ? and ?
           and {SELDOM} and kind = 'request' and json_extract(payload, '$.action') = 'note'
           and trim(coalesce(json_extract(payload, '$.reason'), '')) <> ''
         order by id
        """,  # noqa: S608 - our words
        [place_id(db, place), from_ms, to_ms],
    )
    return [{"at": to_text(at_ms), "by": by, "text": text} for at_ms, by, text in rows]


def read_events(db: Database, place: str, from_ms: int, to_ms: int) -> list[dict[str, Any]]:
    """The bodies of all events of the advisories that stood at some time of the span, in order."""
    return _events(db, _span(db, place, from_ms, to_ms))


def place_id(db: Database, place: str) -> int:
    """The row of `WARD/PLACE`; StoreError with those that there are when there is none."""
    ward, _, bed = place.partition("/")
    row = db.execute("select id from places where ward = ? and place = ?", [ward, bed]).fetchone()
    if row is None:
        known = ", ".join(read_places(db)) or "none"
        raise StoreError(f"no place {place!r} in this store; it knows: {known}")
    return int(row[0])


def _span(db: Database, place: str, from_ms: int, to_ms: int) -> dict[str, Any]:
    return {
        "place_id": place_id(db, place),
        "place": place,
        "from_ms": from_ms,
        "to_ms": to_ms,
        "begin": to_text(from_ms),
        "end": to_text(to_ms),
    }


def _patient(db: Database, span: dict[str, Any]) -> dict[str, Any] | None:
    row = db.execute(
        f"""
        select payload from messages
         where place_id = :place_id and {SELDOM} and kind = 'patient' and received_ms <= :to_ms
         order by received_ms desc, id desc limit 1
        """,  # noqa: S608 - our words
        span,
    ).fetchone()
    return None if row is None else dict(json.loads(row[0]))


def _events(db: Database, span: dict[str, Any]) -> list[dict[str, Any]]:
    """All events of the advisories that stood at some time of the span."""
    rows = db.execute(
        """
        select e.body from advisory_events e join advisories a on a.id = e.advisory_id
         where a.place_id = :place_id and e.at <= :end
           and (a.cleared_at is null or a.cleared_at >= :begin)
         order by e.id
        """,
        span,
    )
    return [json.loads(body) for (body,) in rows]


def _pauses(
    db: Database, span: dict[str, Any]
) -> Iterator[tuple[dict[str, Any], dict[str, Any] | None]]:
    rows = db.execute(
        """
        select event, at, by, reason, until_at from pause_events
         where place_id = :place_id and at <= :end order by id
        """,
        span,
    )
    begun: dict[str, Any] | None = None
    for event, at, by, reason, until in rows:
        entry = {"at": at, "by": by, "reason": reason, "until": until}
        if event == "paused":
            begun = entry
        elif begun is not None:
            if at >= span["begin"]:
                yield begun, entry
            begun = None
    if begun is not None:
        yield begun, None


def _lost(db: Database, span: dict[str, Any]) -> Lost:
    refused = db.execute(
        """
        select reason, count(*) from quarantine
         where topic like 'tidewarden/1/' || :place || '/%'
           and received_ms >= :from_ms and received_ms <= :to_ms
         group by reason order by 2 desc, 1 limit 5
        """,
        span,
    )
    samples = db.execute(
        """
        select b.channel, sum(b.missing_count), sum(b.sample_count)
          from waveform_blocks b join messages m on m.id = b.message_id
         where m.place_id = :place_id and m.received_ms between :from_ms and :to_ms
         group by b.channel order by b.channel
        """,
        span,
    )
    values = db.execute(
        """
        select n.name, sum(n.value is null), count(*)
          from numerics n join messages m on m.id = n.message_id
         where m.place_id = :place_id and m.received_ms between :from_ms and :to_ms
         group by n.name order by n.name
        """,
        span,
    )
    return Lost(
        refused={reason: int(count) for reason, count in refused},
        samples={name: (int(missing), int(sent)) for name, missing, sent in samples},
        values={name: (int(without), int(sent)) for name, without, sent in values},
        longest_silence_s=_silence_s(db, span),
    )


def _silence_s(db: Database, span: dict[str, Any]) -> float:
    """The longest time without any message of the place, to the end of the span."""
    row = db.execute(
        """
        select max(gap) from (
          select received_ms - lag(received_ms) over (order by id) as gap from messages
           where place_id = :place_id and received_ms between :from_ms and :to_ms
          union all
          select :to_ms - max(received_ms) from messages
           where place_id = :place_id and received_ms <= :to_ms)
        """,
        span,
    ).fetchone()
    return float(row[0] or 0) / 1000.0
