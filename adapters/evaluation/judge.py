"""What was said in a case against what was true: each advisory right or false, the fault seen or
missed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from adapters.evaluation import faults
from adapters.evaluation.animals import expected_volume_ml
from adapters.evaluation.population import Case, FaultInCase
from adapters.evaluation.truth import Truth
from adapters.evaluation.truth_kinds import Kind
from adapters.evaluation.watching import Spoken

#: A false advisory so soon after a happening was provoked by it (s): windows are up to 60 s long.
_PROVOKED_WITHIN_S: Final = 60.0
#: An episode that is due later than so long before the end, in s or in breaths, cannot show a
#: delay.
_LEAST_WATCHED_S: Final = 40.0
_LEAST_BREATHS: Final = 5.0
#: A fault is still the same episode so long after it was mended (s).
_AFTER_S: Final = 10.0


@dataclass(frozen=True, slots=True)
class Judged:
    """One advisory. `kind` is the condition that makes it right, None when nothing does.

    `provoked_by` is the benign happening before a false one; `during` the fault it came in.
    """

    rule: str
    priority: str
    spoken_s: float
    says: str
    kind: str | None
    provoked_by: str | None
    during: str | None


@dataclass(frozen=True, slots=True)
class Episode:
    """One fault that had to be told. Times in s; None for what did not come.

    `noticed_s`: the first right advisory from the start of the fault on; `named_s`: the first that
    calls the fault by its name; `urgent_s`: the first right one of high priority. `grave`: it
    became so grave that high priority was due.
    """

    begins_s: float
    due_s: float
    grave: bool
    noticed_s: float | None
    noticed_by: str | None
    named_s: float | None
    urgent_s: float | None

    @property
    def delay_s(self) -> float | None:
        """From when it was due to when it was noticed, none below zero."""
        return None if self.noticed_s is None else max(0.0, self.noticed_s - self.due_s)


@dataclass(frozen=True, slots=True)
class Verdict:
    """What one rule set did in one case."""

    advisories: tuple[Judged, ...]
    episode: Episode | None

    @property
    def false(self) -> list[Judged]:
        """The advisories that nothing makes right."""
        return [one for one in self.advisories if one.kind is None]


def judge(
    case: Case, truth: Truth, spoken: Sequence[Spoken], kinds: Mapping[str, frozenset[Kind]]
) -> Verdict:
    """Judge what one rule set said in the case."""
    advisories = tuple(_judged(case, truth, one, kinds[one.rule]) for one in spoken)
    return Verdict(advisories, _episode(case, truth, advisories, kinds))


def _judged(case: Case, truth: Truth, one: Spoken, kinds: frozenset[Kind]) -> Judged:
    # One that comes to the front late was right if it was right when it was raised.
    kind = truth.fits(kinds, one.spoken_s) or truth.fits(kinds, one.raised_s)
    return Judged(
        rule=one.rule,
        priority=one.priority,
        spoken_s=round(one.spoken_s, 2),
        says=one.says,
        kind=kind.value if kind is not None else None,
        provoked_by=None if kind is not None else _happening_before(case, one.spoken_s),
        during=None if kind is not None else _fault_around(case, one.spoken_s),
    )


def _happening_before(case: Case, at_s: float) -> str | None:
    before = [
        one
        for one in case.happenings
        if one.begins_s <= at_s and at_s - one.ends_s <= _PROVOKED_WITHIN_S
    ]
    return before[-1].id if before else None


def _fault_around(case: Case, at_s: float) -> str | None:
    fault = case.fault
    return fault.id if fault is not None and at_s >= fault.begins_s else None


def due_at_s(case: Case, truth: Truth) -> float | None:
    """When the fault of the case first had to be told, None when never (too mild, or none)."""
    if case.fault is None:
        return None
    named = faults.BY_ID[case.fault.id].names
    due = [one.due_s for one in truth.of(named) if one.due_s is not None]
    due = [at_s for at_s in due if at_s >= case.fault.begins_s]
    return min(due, default=None)


def _episode(
    case: Case,
    truth: Truth,
    advisories: Sequence[Judged],
    kinds: Mapping[str, frozenset[Kind]],
) -> Episode | None:
    fault, due_s = case.fault, due_at_s(case, truth)
    animal = case.animal
    period_s = (
        animal.settings.te_set_s
        + expected_volume_ml(animal.settings, animal.circuit, animal.lung)[1]
    )
    watched_s = max(_LEAST_WATCHED_S, _LEAST_BREATHS * period_s)
    if fault is None or due_s is None or case.lasts_s - due_s < watched_s:
        return None
    within = _of_the_fault(advisories, fault, case.lasts_s)
    names = faults.BY_ID[fault.id].names
    named = [one for one in within if kinds[one.rule] & names]
    urgent = [one for one in within if one.priority == "high"]
    return Episode(
        begins_s=fault.begins_s,
        due_s=round(due_s, 2),
        grave=any(one.grave_s is not None for one in truth.of(names)),
        noticed_s=within[0].spoken_s if within else None,
        noticed_by=within[0].rule if within else None,
        named_s=named[0].spoken_s if named else None,
        urgent_s=urgent[0].spoken_s if urgent else None,
    )


def _of_the_fault(advisories: Sequence[Judged], fault: FaultInCase, lasts_s: float) -> list[Judged]:
    """Right advisories from the start of the fault to its end."""
    until_s = lasts_s if fault.ends_s is None else fault.ends_s + _AFTER_S
    found = [
        one
        for one in advisories
        if one.kind is not None and fault.begins_s <= one.spoken_s <= until_s
    ]
    return sorted(found, key=lambda one: one.spoken_s)
