"""The limits of one patient, each with where its value came from."""

from __future__ import annotations

from typing import Any, Final

from rules.limits import LimitEntry, LimitTable, PatientContext, ResolvedLimit
from rules.model import RuleSet
from rules.reading import nearest
from rules.vocabulary.species import species_known

MASS_KG: Final = (0.001, 500.0)
"""The least and the most that a patient may weigh (kg)."""


def nearest_species(species: str) -> str:
    """`; did you mean "kestrel"?` for a species that is not known; empty when none is near."""
    return nearest(species.casefold(), species_known())


def limit_rows(rule_set: RuleSet, context: PatientContext) -> list[dict[str, Any]]:
    """Every limit as it holds for this patient, by name, and what was passed over."""
    resolved = sorted(rule_set.limits.resolve(context).items())
    return [_row(rule_set.limits, limit, context) for _, limit in resolved]


def _row(table: LimitTable, limit: ResolvedLimit, context: PatientContext) -> dict[str, Any]:
    source = limit.source
    return {
        "limit": limit.name,
        "meaning": table.limits[limit.name].meaning,
        "value": limit.value,
        "unit": limit.unit,
        "absent": limit.absent,
        "written_for": limit.where if limit.since else None,
        "note": limit.note,
        "since": str(limit.since) if limit.since else None,
        "source": source.ref if source else None,
        "confidence": source.confidence.value if source else None,
        "approved": _approved(table.candidates(limit.name, context)[:1]),
        "passed_over": [_passed(e) for e in table.candidates(limit.name, context)[1:]],
    }


def _approved(entries: list[LimitEntry]) -> dict[str, str] | None:
    approval = entries[0].approved if entries else None
    if approval is None:
        return None
    return {"by": approval.by, "on": str(approval.on), "why": approval.why}


def _passed(entry: LimitEntry) -> dict[str, Any]:
    return {
        "value": entry.value,
        "absent": entry.absent,
        "written_for": entry.where.words,
        "since": str(entry.since),
    }
