"""While an author edits: after each save only what depends on it is judged again.

What a scenario's looks see does not depend on the rules, so they are kept and only judged anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from adapters.bar import Bar, no_bar
from adapters.rehearsal.files import Found, Texts, scenario_texts, scenarios_of
from adapters.rehearsal.pool import rehearse_plainly
from adapters.rehearsal.run import Rehearsed, Stage
from adapters.rule_files import LoadedRules, load_rules
from rules.engine import build_engine
from rules.model import Rule, RuleSet
from service.judge import Judge
from service.rehearsal.running import Ran, run_looks
from service.rehearsal.scenario import Scenario
from service.rehearsal.verdicts import verdicts


@dataclass(slots=True)
class Round:
    """What one save led to: which rules changed, and which scenarios were judged again."""

    rule_set: RuleSet
    changed: frozenset[str]
    again: list[Rehearsed]
    all: list[Rehearsed]


@dataclass(slots=True)
class Desk:
    """The rules and scenarios that somebody is editing; `only` those with this in their name."""

    spec: str
    paths: Sequence[Path]
    only: str | None = None
    jobs: int = 1
    _stage: Stage | None = None
    _read: tuple[Texts, frozenset[str], Found] | None = None
    _known: dict[str, Rehearsed] = field(default_factory=dict)

    def read(self, bar: Bar = no_bar) -> Round:
        """Read everything, and judge what has changed.

        RuleSetError and its like when it cannot be read: what was judged before stays.
        """
        rules = load_rules(self.spec)
        found = self._scenarios(rules).only(self.only)
        before, stage = self._stage, Stage(rules.rule_set)
        old = None if before is None else before.judge.rule_set
        changed = changed_rules(old, rules.rule_set)
        done = self._judged_anew(found, stage, _Concerned(changed, rules.rule_set))
        run = [one for one in found.scenarios if one.name not in done]
        if run:
            with bar(len(run)) as each:
                tasks = [(one, found.folder(one)) for one in run]
                done |= rehearse_plainly(rules, tasks, self.jobs, each)
        self._stage = stage
        known = self._known | {name: one for name, one in done.items() if one is not None}
        self._known = {one.name: known[one.name] for one in found.scenarios}
        again = [one for name, one in self._known.items() if done[name] is not None]
        return Round(rules.rule_set, changed, again, list(self._known.values()))

    def _scenarios(self, rules: LoadedRules) -> Found:
        """Read again only when a file, or the rules that may be named, are others."""
        texts = scenario_texts(self.spec, self.paths)
        ids = frozenset(rule.id for rule in rules.rule_set.rules)
        if self._read is None or self._read[:2] != (texts, ids):
            self._read = (texts, ids, scenarios_of(texts, rules))
        return self._read[2]

    def _judged_anew(
        self, found: Found, stage: Stage, concerned: _Concerned
    ) -> dict[str, Rehearsed | None]:
        """What comes now of what was seen before, None as before; the others have to be run."""
        # Facts that nobody asked for before were not worked out.
        seen = self._stage is not None and stage.judge.wanted <= self._stage.judge.wanted
        done: dict[str, Rehearsed | None] = {}
        for scenario in found.scenarios:
            known = self._known.get(scenario.name)
            ran = None if known is None else known.ran
            if known is None or ran is None or known.scenario != scenario:
                continue
            if not concerned.rules or (seen and not concerned.by(scenario, ran)):
                done[scenario.name] = None
            elif seen:
                again = run_looks(ran.looks, stage.judge, scenario.asked)
                again.faults = ran.faults
                done[scenario.name] = Rehearsed(scenario, tuple(verdicts(scenario, again)), again)
        return done


def changed_rules(before: RuleSet | None, after: RuleSet) -> frozenset[str]:
    """The rules that are not what they were, by themselves or by a limit; also those gone."""
    if before is None:
        return frozenset(rule.id for rule in after.rules)
    old, new = ({rule.id: rule for rule in one.rules} for one in (before, after))
    limits = {
        name
        for name in before.limits.limits.keys() | after.limits.limits.keys()
        if before.limits.limits.get(name) != after.limits.limits.get(name)
    }

    def differs(rule_id: str) -> bool:
        one: Rule | None = new.get(rule_id)
        return one != old.get(rule_id) or (
            one is not None and not limits.isdisjoint(one.limit_names())
        )

    return frozenset(rule_id for rule_id in old.keys() | new.keys() if differs(rule_id))


class _Concerned:
    """Which scenarios a change of these rules may concern."""

    def __init__(self, rules: frozenset[str], rule_set: RuleSet) -> None:
        self.rules = rules
        changed = tuple(one for one in rule_set.rules if one.id in rules)
        # What a cause is told by decides nothing on whether a rule speaks.
        own = replace(rule_set, rules=changed, causes={})
        self._judge = Judge(own, build_engine(own, "plain"))

    def by(self, scenario: Scenario, ran: Ran) -> bool:
        """Whether a changed rule is named, has spoken, or could speak now."""
        if not self.rules.isdisjoint(scenario.rules):
            return True
        if any(event.advisory.rule in self.rules for event in ran.events):
            return True
        return any(
            key.endswith("/when")
            for look in ran.looks
            for key in self._judge.moment(look.patient, look.facts, look.now_ms).conditions
        )
