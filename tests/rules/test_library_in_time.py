"""small-animal-ventilation 1.0.0 over time: each rule raised, not raised by a near miss, cleared.

Facts alone drive the book of advisories through the engine, second by second; the rule's own times
are held to one second. The facts and their sources stand in library_1_0_0.yaml.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from ruamel.yaml import YAML

from adapters.rule_files import load_rules
from rules.engine import build_engine, clean
from rules.limits import PatientContext
from rules.model import Rule, RuleSet
from service.advisories import Advisory, AdvisoryEvent, Book, Moment
from service.bedside import Bedside
from service.facts import FactSet
from service.wording import write_advisory

SPEC = "small-animal-ventilation@1.0.0"
TEXT: Mapping[str, Any] = YAML(typ="safe").load(
    Path(__file__).with_name("library_1_0_0.yaml").read_text(encoding="utf-8")
)
CASES: list[Mapping[str, Any]] = TEXT["cases"]
#: Facts that stand still are held for so long, looked at so often (no rule waits for less).
QUIET_S = 600
STEP_S = 10.0


def _name(case: Mapping[str, Any]) -> str:
    note = case.get("note")
    return f"{case['rule']}, {note}" if note else str(case["rule"])


@pytest.fixture(scope="module")
def library() -> RuleSet:
    return load_rules(SPEC).rule_set


@pytest.fixture(scope="module")
def engine(library: RuleSet) -> Any:
    return build_engine(library, "plain")


class Place:
    """One place whose facts stand still until they are changed."""

    def __init__(self, library: RuleSet, engine: Any, patient: Mapping[str, Any]) -> None:
        self._library, self._engine = library, engine
        self._patient = {**TEXT["healthy"]["patient"], **patient}
        self._book, self._bedside = Book(), Bedside("recovery", "bay-1")
        self._context = PatientContext(
            self._patient["class"], self._patient["species"], self._patient["mass_kg"],
            self._patient["phase"],
        )  # fmt: skip
        self._limits = dict(library.limits.resolve(self._context))
        self.now_s = 0.0

    def at(self, facts: Mapping[str, Any]) -> list[AdvisoryEvent]:
        """What changes at this moment."""
        known, _ = clean({**facts, **self._who()})
        unknown = dict.fromkeys(self._library.facts() - known.keys(), "not given")
        moment = Moment(
            round(1000 * self.now_s), "Skerry", FactSet(dict(known), unknown), self._limits,
            self._engine.evaluate(known, self._limits),
        )  # fmt: skip

        def write(item: Rule, now: Moment, onset_ms: int, identity: str) -> Advisory:
            return write_advisory(self._bedside, item, now, onset_ms, identity)

        return self._book.move("recovery/bay-1", self._library, moment, write).events

    def over(
        self, facts: Mapping[str, Any], seconds: float, step_s: float = 1.0
    ) -> list[tuple[float, AdvisoryEvent]]:
        """What changes over this time, with the second at which it does."""
        seen: list[tuple[float, AdvisoryEvent]] = []
        end_s = self.now_s + seconds
        while self.now_s <= end_s:
            seen += [(self.now_s, event) for event in self.at(facts)]
            self.now_s += step_s
        return seen

    def standing(self) -> dict[str, Advisory]:
        """What stands, by rule."""
        return {advisory.rule: advisory for advisory in self._book.standing()}

    def acknowledge(self, rule: str) -> None:
        """Somebody has seen it."""
        self._book.acknowledge(self.standing()[rule].id, "a nurse", round(1000 * self.now_s))

    def _who(self) -> dict[str, Any]:
        keys = {"class": "class", "species": "species", "phase": "phase", "mass_kg": "mass"}
        return {f"patient.{fact}": self._patient[key] for key, fact in keys.items()}


def _healthy(case: Mapping[str, Any]) -> dict[str, Any]:
    absent = case.get("unknown", [])
    facts = {**TEXT["healthy"]["facts"], **case.get("facts", {})}
    return {name: value for name, value in facts.items() if name not in absent}


def _said(events: list[tuple[float, AdvisoryEvent]], rule: str, kind: str) -> list[float]:
    return [at for at, e in events if (e.advisory.rule, e.kind) == (rule, kind)]


def test_nothing_is_said_of_a_healthy_animal(library: RuleSet, engine: Any) -> None:
    place = Place(library, engine, {})
    assert place.over(TEXT["healthy"]["facts"], QUIET_S, STEP_S) == []


@pytest.mark.parametrize("animal", TEXT["also_healthy"], ids=lambda a: a["note"])
def test_nor_of_others(library: RuleSet, engine: Any, animal: Mapping[str, Any]) -> None:
    place = Place(library, engine, animal.get("patient", {}))
    said = place.over(_healthy(animal), QUIET_S, STEP_S)
    assert [event.advisory.says for _, event in said] == []


@pytest.mark.parametrize("case", CASES, ids=_name)
def test_raised_when_its_time_is_up_then_cleared(
    library: RuleSet, engine: Any, case: Mapping[str, Any]
) -> None:
    rule = library.rule(case["rule"])
    place = Place(library, engine, case.get("patient", {}))
    healthy = _healthy(case)
    assert _said(place.over(healthy, 30), rule.id, "raised") == []
    begun_s = place.now_s
    facts = {**healthy, **case["holds"]}
    raised = _said(place.over(facts, rule.for_s + 2), rule.id, "raised")
    assert raised == [pytest.approx(begun_s + rule.for_s, abs=1.0)]
    assert place.standing()[rule.id].priority.value == case["priority"]
    over = {**TEXT["healthy"]["facts"], **case.get("facts", {}), **case["holds"], **case["clears"]}
    ended_s = place.now_s
    events = place.over(over, rule.clears_for_s + 2)
    if case.get("latches"):
        assert rule.id in place.standing()
        place.acknowledge(rule.id)
        place.over(over, 2)
    else:
        cleared = _said(events, rule.id, "cleared")
        assert cleared == [pytest.approx(ended_s + rule.clears_for_s, abs=1.0)]
    assert rule.id not in place.standing()


@pytest.mark.parametrize("case", CASES, ids=_name)
def test_a_near_miss_is_never_raised(
    library: RuleSet, engine: Any, case: Mapping[str, Any]
) -> None:
    patient = {**case.get("patient", {}), **case.get("near_patient", {})}
    place = Place(library, engine, patient)
    near = {**TEXT["healthy"]["facts"], **case["near"]}
    assert _said(place.over(near, QUIET_S, STEP_S), case["rule"], "raised") == []


def test_every_rule_has_a_case(library: RuleSet) -> None:
    assert {rule.id for rule in library.rules} == {case["rule"] for case in CASES}
