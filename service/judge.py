"""One rule set with its engine: which of its conditions hold for what is known of a patient."""

from __future__ import annotations

from collections.abc import Collection

from rules.engine import Engine, clean
from rules.limits import PatientContext, ResolvedLimit
from rules.model import RuleSet
from service.advisories import Moment
from service.facts import FactSet
from service.known import PatientInfo, context_of


class Judge:
    """Evaluates one rule set. The facts it is given stay as they are: others may read them too."""

    def __init__(self, rule_set: RuleSet, engine: Engine) -> None:
        self.rule_set = rule_set
        self.engine = engine
        self.wanted = rule_set.facts()
        self._limits: dict[PatientContext, dict[str, ResolvedLimit]] = {}

    def moment(
        self,
        patient: PatientInfo | None,
        facts: FactSet,
        now_ms: int,
        following: Collection[str] | None = None,
    ) -> Moment:
        """What is known now of what this rule set asks for, and which conditions hold.

        With `following` (ids of rules), how a rule ends, escalates or ceases to apply is worked
        out only for these and for those whose `when` holds.
        """
        kept, dropped = clean(facts.values, self.wanted)
        limits = self.limits_for(patient)
        return Moment(
            now_ms,
            patient.patient if patient else None,
            FactSet(kept, {**facts.unknown, **dropped}, facts.quality, facts.doubts),
            limits,
            self.engine.evaluate(kept, limits, following),
        )

    def limits_for(self, patient: PatientInfo | None) -> dict[str, ResolvedLimit]:
        """The limits that hold for a patient: the very same mapping every time."""
        context = context_of(patient)
        limits = self._limits.get(context)
        if limits is None:
            limits = self._limits[context] = dict(self.rule_set.limits.resolve(context))
        return limits
