"""Whether a limit lets more pass than before, for some patient whom it concerns."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from rules.implication import limit_uses
from rules.limits import Limit, LimitTable, PatientContext, Where
from rules.model import RuleSet
from rules.vocabulary import CLASSES, PHASES

Directions = Mapping[str, frozenset[bool]]
"""For each limit whether the most urgent rules wait for more than it (True), less (False), both."""


def directions(*rule_sets: RuleSet) -> Directions:
    """How rules use each limit to begin, to be able to speak, or to become more urgent.

    Where they use it both ways the most urgent of them decide: a high CO2 is watched for by the
    limit below which weaning is thought of, and a tighter limit must not pass for a looser one.
    """
    ranks: dict[str, dict[bool, int]] = {}
    for rule in (rule for rule_set in rule_sets for rule in rule_set.rules):
        for key, condition in rule.conditions().items():
            if key == "clears":
                continue
            escalates = rule.escalate if key == "escalate" else None
            rank = (escalates or rule).priority.rank
            for name, upwards in limit_uses(condition):
                known = ranks.setdefault(name, {})
                known[upwards] = max(rank, known.get(upwards, 0))
    return {
        name: frozenset(way for way, rank in ways.items() if rank == max(ways.values()))
        for name, ways in ranks.items()
    }


def loosened(before: Limit, after: Limit, wheres: Sequence[Where], ways: frozenset[bool]) -> bool:
    """Whether some patient of whom one of `wheres` speaks has no value any more, or a looser one.

    Looser is higher for a rule that waits for more than the limit, lower for one that waits for
    less. What only clears an advisory, or is only told, loosens nothing.
    """
    return any(
        _loosened(_standing(before, patient), _standing(after, patient), ways)
        for where in wheres
        for patient in _patients(where)
    )


def _loosened(old: float | None, new: float | None, ways: frozenset[bool]) -> bool:
    if old is None or old == new:
        return False
    return new is None or any((new > old) == upwards for upwards in ways)


def _patients(where: Where) -> Iterator[PatientContext]:
    """One patient of every kind that is meant."""
    mass_kg = where.mass_kg[0] if where.mass_kg else None
    for class_ in (where.class_,) if where.class_ else (None, *CLASSES):
        for phase in (where.phase,) if where.phase else (None, *PHASES):
            patient = PatientContext(class_, where.species, mass_kg, phase)
            if where.matches(patient):
                yield patient


def _standing(limit: Limit, patient: PatientContext) -> float | None:
    return LimitTable({limit.name: limit}).resolve(patient)[limit.name].value
