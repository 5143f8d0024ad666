"""The report of a case, from a store."""

from __future__ import annotations

from typing import Any

from sqlite_utils import Database

from adapters.cases.curves import read_courses
from adapters.cases.reading import rules_during
from adapters.cases.story import read_case, told
from adapters.cases.summary import summary_lines
from adapters.sqlite.history import place_id
from service.cases.advised import advised
from service.cases.limit_lines import limit_lines
from service.cases.report import Record, case_report


def read_report(db: Database, place: str, at_ms: int | None) -> tuple[dict[str, Any], Record]:
    """The report of the stay at `WARD/PLACE` at a moment, or of the last one; and what it is made
    from.

    Raises NoCaseError where nobody lay there, StoreError for a place that is not known.
    """
    case = read_case(db, place, at_ms)
    stay = case.stay
    rules = rules_during(db, stay.from_ms, stay.to_ms)
    curves = read_courses(db, place_id(db, place), stay.from_ms, stay.to_ms)
    lines = limit_lines(rules[-1][1], list(stay.lying), stay.from_ms) if rules else []
    record = Record(
        stay=stay,
        curves=curves,
        lines=lines,
        advised=[
            one for one in advised(case.events) if one.body["patient"] in (stay.patient, None)
        ],
        story=told(case),
        rules=rules,
        lost=case.handover["lost"],
    )
    body = case_report(record)
    return {**body, "summary": summary_lines(body)}, record
