"""Rules of one comparison each, and a book of advisories driven by facts at given seconds."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from service_bench import PLACE, START_MS

from rules.engine.plain import PlainEngine
from rules.limits import Confidence, LimitTable, Source
from rules.model import Comparison, Op, Rule, RuleSet, Value
from rules.priority import Harm, Onset, Priority
from service.advisories import Advisory, AdvisoryEvent, Book, Moment
from service.bedside import Bedside
from service.facts import FactSet
from service.wording import write_advisory

#: The rest is unknown, with this reason.
WHY_UNKNOWN = "sensor off"
_HARM_AND_ONSET = {
    Priority.HIGH: (Harm.DEATH, Onset.IMMEDIATE),
    Priority.MEDIUM: (Harm.REVERSIBLE, Onset.PROMPT),
    Priority.LOW: (Harm.MINOR, Onset.DELAYED),
}


def below(fact: str, value: float) -> Comparison:
    """`fact below value`."""
    return Comparison(fact, Op.BELOW, Value(value))


def above(fact: str, value: float) -> Comparison:
    """`fact above value`."""
    return Comparison(fact, Op.ABOVE, Value(value))


def rule(
    rule_id: str = "spo2-low",
    when: Comparison | None = None,
    *,
    priority: Priority = Priority.MEDIUM,
    **changes: Any,
) -> Rule:
    """A rule that holds while saturation is below 90 %, or `when`."""
    harm, onset = _HARM_AND_ONSET[priority]
    return Rule(
        **{
            "id": rule_id,
            "title": f"Title of {rule_id}",
            "when": when or below("spo2", 90.0),
            "harm": harm,
            "onset": onset,
            "cause": "hypoxaemia",
            "says": f"{rule_id} says so.",
            "because": f"{rule_id} has its reasons.",
            "source": Source("made up for a test", Confidence.PUBLISHED),
            **changes,
        }
    )


def rule_set(*rules: Rule) -> RuleSet:
    """A rule set of these rules, without limits."""
    return RuleSet(
        name="bench",
        version="0.0.1",
        title="",
        summary="",
        caution="",
        rules=rules,
        limits=LimitTable(),
        sha256="0" * 64,
    )


class Ward:
    """One place: its book is moved to each moment with the facts given."""

    def __init__(self, *rules: Rule) -> None:
        self.rules = rule_set(*rules)
        self.book = Book()
        self._bedside = Bedside(*PLACE.split("/"))
        self._engine = PlainEngine(self.rules)

    def at(
        self,
        after_s: float,
        facts: Mapping[str, float | str] | None = None,
        patient: str = "Skerry",
    ) -> list[AdvisoryEvent]:
        """What changes at this moment; facts that are not given are unknown."""
        values = dict(facts or {})
        unknown = {
            leaf: WHY_UNKNOWN for item in self.rules.rules for leaf in item.facts() - set(values)
        }
        moment = Moment(
            now_ms=START_MS + round(1000 * after_s),
            patient=patient,
            facts=FactSet(values, unknown),
            limits={},
            conditions=self._engine.evaluate(values, {}),
        )

        def write(item: Rule, now: Moment, onset_ms: int, identity: str) -> Advisory:
            return write_advisory(self._bedside, item, now, onset_ms, identity)

        return self.book.move(PLACE, self.rules, moment, write).events

    def spo2(self, after_s: float, value: float) -> list[str]:
        """Kinds of the events that this saturation brings."""
        return kinds(self.at(after_s, {"spo2": value}))

    def standing(self) -> list[str]:
        """Rules of what stands, in order."""
        return [advisory.rule for advisory in self.book.standing()]

    def only(self) -> Advisory:
        """The one advisory that stands."""
        (advisory,) = self.book.standing()
        return advisory


def kinds(events: Iterable[AdvisoryEvent]) -> list[str]:
    """What happened, in order."""
    return [event.kind for event in events]
