"""The limits of a patient as lines in a course: those of the rules in force, for each of its
phases."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from sqlite_utils import Database

from adapters.rule_files import loaded_again
from adapters.sqlite.reading import Run, read_runs
from rules.limits import PatientContext
from rules.model import RuleSet
from service.glance import Vital
from service.messages import Patient, parse

#: Limits that a value itself is held against. A rule set that has none of that name has no line.
LINES: Final[dict[Vital, tuple[str, ...]]] = {
    Vital.ETCO2: ("etco2_low", "etco2_high", "etco2_very_high"),
    Vital.FICO2: ("fico2_high",),
    Vital.SPO2: ("spo2_low", "spo2_very_low"),
    Vital.RATE: ("rate_low", "rate_high"),
    Vital.PIP: ("pip_ceiling",),
    Vital.TEMPERATURE: ("temperature_low", "temperature_very_low", "temperature_high"),
}


@dataclass(frozen=True, slots=True)
class Bound:
    """A limit over the time in which it held (ms since 1970), in the unit of its vital."""

    vital: Vital
    name: str
    value: float
    from_ms: int
    to_ms: int


@dataclass(frozen=True, slots=True)
class Lying:
    """A patient in one phase at a place, from one message on until the next (ms since 1970)."""

    patient: Patient
    from_ms: int
    to_ms: int

    @property
    def mass_kg(self) -> float | None:
        """Its mass, where it is known."""
        return None if self.patient.mass is None else self.patient.mass.usable

    @property
    def context(self) -> PatientContext:
        """What limits are chosen by."""
        one = self.patient
        return PatientContext(one.class_, one.species, self.mass_kg, one.phase)


def read_lying(db: Database, place_id: int, to_ms: int) -> list[Lying]:
    """Who has lain at a place until `to_ms`, in order; said twice is once."""
    rows = db.execute(
        """
        select received_ms, payload from messages
         where place_id = ? and received_ms <= ? and kind = 'patient' order by id
        """,
        [place_id, to_ms],
    ).fetchall()
    found: list[Lying] = []
    for received_ms, payload in rows:
        patient = parse("patient", payload.encode())
        if not isinstance(patient, Patient):
            continue
        now = Lying(patient, received_ms, to_ms)
        if found:
            last = found.pop()
            same = _who(last) == _who(now)
            found.append(Lying(last.patient, last.from_ms, to_ms if same else received_ms))
            if same:
                continue
        found.append(now)
    return found


def _who(lying: Lying) -> tuple[str, PatientContext]:
    return lying.patient.patient, lying.context


def rules_then(db: Database, at_ms: int) -> RuleSet | None:
    """The rules that decided at a moment; None where no service has run."""
    runs = read_runs(db)
    begun = [run for run in runs if run.started_ms <= at_ms] or runs[:1]
    return _rules_of(begun[-1]) if begun else None


def _rules_of(run: Run) -> RuleSet:
    return _loaded(json.dumps(dict(run.rule_files)))


@lru_cache(maxsize=4)
def _loaded(files: str) -> RuleSet:
    return loaded_again(json.loads(files)).rule_set


def bounds(rules: RuleSet, lying: list[Lying], from_ms: int) -> list[Bound]:
    """The lines from `from_ms` on."""
    return [
        bound for one in lying if one.to_ms > from_ms for bound in _bounds_of(rules, one, from_ms)
    ]


def _bounds_of(rules: RuleSet, one: Lying, from_ms: int) -> list[Bound]:
    limits = rules.limits.resolve(one.context)
    found = []
    for vital, names in LINES.items():
        for name in names:
            limit = limits.get(name)
            if limit is None or limit.value is None:
                continue
            begins_ms = max(one.from_ms, from_ms)
            found.append(Bound(vital, name, limit.value, begins_ms, one.to_ms))
    return found
