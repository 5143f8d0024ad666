"""One rule set with its engine: which of its conditions hold for what is known of a patient."""

from __future__ import annotations

from dataclasses import replace

from rules.engine import Engine, clean
from rules.limits import PatientContext, ResolvedLimit
from rules.model import RuleSet
from service.advisories import Moment
from service.facts import FactSet
from service.known import PatientInfo


class Judge:
    """Evaluates one rule set. The facts it is given stay as they are: others may read them too."""

    def __init__(self, rule_set: RuleSet, engine: Engine) -> None:
        self.rule_set = rule_set
        self.engine = engine
        self.wanted = rule_set.facts()
        self._limits: dict[PatientContext, dict[str, ResolvedLimit]] = {}

    def moment(self, patient: PatientInfo | None, facts: FactSet, now_ms: int) -> Moment:
        """What is known now of what this rule set asks for, and which conditions hold."""
        asked = {n: value for n, value in facts.values.items() if n in self.wanted}
        kept, dropped = clean(asked)
        limits = self._limits_for(patient)
        return Moment(
            now_ms,
            patient.patient if patient else None,
            replace(facts, values=kept, unknown={**facts.unknown, **dropped}),
            limits,
            self.engine.evaluate(kept, limits),
        )

    def _limits_for(self, patient: PatientInfo | None) -> dict[str, ResolvedLimit]:
        context = PatientContext(
            class_=patient.class_ if patient else None,
            species=patient.species if patient else None,
            mass_kg=patient.mass_kg if patient else None,
            phase=patient.phase if patient else None,
        )
        limits = self._limits.get(context)
        if limits is None:
            limits = self._limits[context] = dict(self.rule_set.limits.resolve(context))
        return limits
