"""Whether a scenario would notice a small change of the rules: the same looks, judged otherwise."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import replace

from rules.engine import Engine, EngineError, build_engine
from rules.limits import LimitTable, ResolvedLimit
from rules.model import Rule, RuleSet
from rules.mutation import Mutant
from service.advisories import Advisory, Moment
from service.facts import FactSet
from service.judge import Judge
from service.known import PatientInfo, context_of
from service.rehearsal.looks import Look
from service.rehearsal.running import Ran, run_looks
from service.rehearsal.scenario import Scenario
from service.rehearsal.verdicts import verdicts

_Moments = dict[int, Moment]
#: The conditions of some rules that hold, and the looks at which it is these.
_Alike = tuple[frozenset[str], list[tuple[Look, Moment]]]


class Noticing:
    """One scenario with its looks, as the unchanged rules judged them."""

    def __init__(self, scenario: Scenario, ran: Ran, judge: Judge, engines: Engines) -> None:
        self._scenario, self._judge, self._engines = scenario, judge, engines
        # A look that was repeated while nothing changed has the very same facts.
        self._looks = list({id(look.facts): look for look in reversed(ran.looks)}.values())[::-1]
        self._moments: _Moments = {
            id(look.facts): judge.moment(look.patient, look.facts, look.now_ms)
            for look in self._looks
        }
        says = any(expected.says is not None for expected in scenario.expects)
        # Texts take longer than all the rest, and mostly nobody asks what they say.
        self._write = None if says else _wordless
        self._groups: dict[frozenset[str], list[_Alike]] = {}
        # The others never begin, whatever is changed in these.
        self._speaking = frozenset(
            rule.id
            for rule in judge.rule_set.rules
            if any(f"{rule.id}/when" in moment.conditions for moment in self._moments.values())
        )

    @property
    def usable(self) -> bool:
        """Whether the unchanged rules pass: a scenario that fails anyway notices nothing."""
        return self._passes(self._judge.rule_set, self._moments, frozenset())

    def noticed(self, mutants: Iterable[Mutant]) -> Iterator[int]:
        """The numbers of those with which the scenario fails."""
        return (mutant.number for mutant in mutants if self._notices(mutant))

    def _passes(self, rule_set: RuleSet, moments: _Moments, changed: frozenset[str]) -> bool:
        asked_for = self._speaking | changed
        rules = tuple(rule for rule in rule_set.rules if rule.id in asked_for)
        judge = _Known(replace(rule_set, rules=rules), moments)
        ran = run_looks(self._looks, judge, self._scenario.asked, self._write)
        return all(verdict.met for verdict in verdicts(self._scenario, ran))

    def _notices(self, mutant: Mutant) -> bool:
        lasting = mutant.kind in ("time", "bond")
        speaks = bool(mutant.rules & self._speaking)
        if mutant.kind == "time" and not speaks:
            return False
        engine = self._engines.of(mutant)
        if engine is None:
            return True
        moments = self._judged(mutant, engine)
        if not moments and not (lasting and speaks):
            return False
        return not self._passes(mutant.rule_set, {**self._moments, **moments}, mutant.rules)

    def _judged(self, mutant: Mutant, engine: Engine) -> _Moments:
        """The moments at which other conditions hold than before."""
        limits = _Limits(mutant)
        found: _Moments = {}
        for was, alike in self._alike(mutant.rules):
            look, before = alike[0]
            now_limits = limits.of(look, before)
            held = engine.evaluate(before.facts.values, now_limits)
            for other, moment in alike if held != was else ():
                conditions = moment.conditions - was | held
                found[id(other.facts)] = replace(moment, limits=now_limits, conditions=conditions)
        return found

    def _alike(self, rules: frozenset[str]) -> list[_Alike]:
        """Looks at which all that these rules ask for is the same: what holds at one holds at all.

        In most scenarios that is every look, as they are about other rules.
        """
        if rules not in self._groups:
            own = [rule for rule in self._judge.rule_set.rules if rule.id in rules]
            asked = sorted(frozenset().union(*(rule.facts() for rule in own)))
            groups: dict[object, list[tuple[Look, Moment]]] = {}
            for look in self._looks:
                moment = self._moments[id(look.facts)]
                values = tuple(moment.facts.values.get(name) for name in asked)
                groups.setdefault((values, id(moment.limits)), []).append((look, moment))
            prefixes = tuple(f"{rule}/" for rule in rules)
            self._groups[rules] = [
                (
                    frozenset(key for key in alike[0][1].conditions if key.startswith(prefixes)),
                    alike,
                )
                for alike in groups.values()
            ]
        return self._groups[rules]


def _wordless(rule: Rule, moment: Moment, onset_ms: int, identity: str) -> Advisory:
    """An advisory of which only what happens to it matters."""
    return Advisory(
        id=identity, rule=rule.id, priority=rule.priority, onset_ms=onset_ms,
        raised_ms=moment.now_ms, patient=moment.patient, title="", says="", because="", look_at=[],
        source="", confidence="", caution="", clears_when="", uncertainty=[], evidence=[],
    )  # fmt: skip


class Engines:
    """The engine for each changed rule, made once for all scenarios."""

    def __init__(self) -> None:
        self._made: dict[int, Engine | None] = {}

    def of(self, mutant: Mutant) -> Engine | None:
        """None when no engine takes it: nobody could release that unnoticed."""
        if mutant.number not in self._made:
            own = tuple(rule for rule in mutant.rule_set.rules if rule.id in mutant.rules)
            try:
                engine = build_engine(replace(mutant.rule_set, rules=own), "plain")
            except EngineError:
                engine = None
            self._made[mutant.number] = engine
        return self._made[mutant.number]


class _Limits:
    """The limits of a mutant; they are those of before but for the one that it moves."""

    def __init__(self, mutant: Mutant) -> None:
        moved = mutant.rule_set.limits.limits.get(mutant.of)
        self._table = None if moved is None else LimitTable({mutant.of: moved})
        self._known: dict[int, Mapping[str, ResolvedLimit]] = {}

    def of(self, look: Look, before: Moment) -> Mapping[str, ResolvedLimit]:
        if self._table is None:
            return before.limits
        key = id(before.limits)
        if key not in self._known:
            self._known[key] = {**before.limits, **self._table.resolve(context_of(look.patient))}
        return self._known[key]


class _Known(Judge):
    """Knows each moment beforehand."""

    def __init__(self, rule_set: RuleSet, moments: Mapping[int, Moment]) -> None:
        self.rule_set = rule_set
        self._moments = moments

    def moment(
        self,
        patient: PatientInfo | None,
        facts: FactSet,
        now_ms: int,
        following: Collection[str] | None = None,
    ) -> Moment:
        return replace(self._moments[id(facts)], now_ms=now_ms)
