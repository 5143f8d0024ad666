"""Why a rule speaks at a place, or why it does not: each clause with its value, limit and margin.

For any moment; pure. What would have to change is the fewest clauses in the way.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from rules.model import SCOPE_FACTS, Rule, RuleSet
from rules.obstacles import obstacles
from rules.rationale import ClauseResult, explain
from service.advisories import Moment, Tracked

State = Literal["stands", "waits", "out of scope", "not judged", "does not hold"]


@dataclass(frozen=True, slots=True)
class Why:
    """One rule at one moment.

    `scope` says for each key of `only_in` what is asked and what is (None: unknown). `in_the_way`
    is what would have to change for it to speak; of a standing one, for it to be over.
    `explained_by` is the rule whose advisory explains this one's.
    """

    rule: Rule
    state: State
    held_s: float | None
    scope: tuple[tuple[str, tuple[str, ...], str | None], ...]
    needs: tuple[ClauseResult, ...]
    when: tuple[ClauseResult, ...]
    clears: tuple[ClauseResult, ...]
    in_the_way: tuple[ClauseResult, ...]
    explained_by: str | None = None

    @property
    def shortfall(self) -> float:
        """How far the clauses in the way are off, each as a share of what it is compared with."""
        return sum(_share(clause) for clause in self.in_the_way)


def why(rule: Rule, moment: Moment, book: Mapping[str, Tracked]) -> Why:
    """The rule as it is at this moment; `book` is what its place's book holds of each rule."""
    tracked = book.get(rule.id)
    facts, limits, unknown = moment.facts.values, moment.limits, moment.facts.unknown
    needs = explain(rule.needs, facts, limits, unknown) if rule.needs else []
    state = _state(rule, moment, tracked)
    asked = [rule.clearing] if state == "stands" else [rule.when]
    asked += [rule.needs] if rule.needs else []
    in_the_way = [clause for c in asked for clause in obstacles(c, facts, limits, unknown)]
    return Why(
        rule=rule,
        state=state,
        held_s=_held_s(moment, tracked),
        scope=tuple(_scope(rule, moment)),
        needs=tuple(needs),
        when=tuple(explain(rule.when, facts, limits, unknown)),
        clears=tuple(explain(rule.clearing, facts, limits, unknown)),
        in_the_way=tuple(in_the_way),
        explained_by=_explained_by(tracked, book),
    )


def why_all(rule_set: RuleSet, moment: Moment, book: Mapping[str, Tracked]) -> list[Why]:
    """Every rule, what stands first, then what waits, then the nearest to speaking."""
    found = [why(rule, moment, book) for rule in rule_set.rules]
    order: dict[State, int] = {
        "stands": 0, "waits": 1, "does not hold": 2, "not judged": 3, "out of scope": 4,
    }  # fmt: skip
    return sorted(found, key=lambda w: (order[w.state], *_urgency(w), w.rule.id))


def _urgency(reason: Why) -> tuple[float, ...]:
    """Of what speaks the highest first; of what does not, the nearest to it."""
    if reason.state in ("stands", "waits"):
        return (reason.explained_by is not None, -reason.rule.priority.rank)
    return (len(reason.in_the_way), reason.shortfall)


def _state(rule: Rule, moment: Moment, tracked: Tracked | None) -> State:
    if tracked is not None and tracked.advisory is not None:
        return "stands"
    if f"{rule.id}/when" in moment.conditions:
        return "waits"
    facts, limits, unknown = moment.facts.values, moment.limits, moment.facts.unknown
    if any(label is not None and label not in asked for _, asked, label in _scope(rule, moment)):
        return "out of scope"
    if rule.needs is not None and obstacles(rule.needs, facts, limits, unknown):
        return "not judged"
    if any(clause.holds is None for clause in obstacles(rule.when, facts, limits, unknown)):
        return "not judged"
    return "does not hold"


def _explained_by(tracked: Tracked | None, book: Mapping[str, Tracked]) -> str | None:
    above = tracked.advisory.outranked_by if tracked is not None and tracked.advisory else None
    standing = (other.advisory for other in book.values() if other.advisory is not None)
    return next((advisory.rule for advisory in standing if advisory.id == above), None)


def _held_s(moment: Moment, tracked: Tracked | None) -> float | None:
    if tracked is None or tracked.holds_since_ms is None:
        return None
    return (moment.now_ms - tracked.holds_since_ms) / 1000.0


def _scope(rule: Rule, moment: Moment) -> Iterable[tuple[str, tuple[str, ...], str | None]]:
    for key, labels in rule.only_in.items():
        label = moment.facts.values.get(SCOPE_FACTS[key])
        yield key, labels, label if isinstance(label, str) else None


def _share(clause: ClauseResult) -> float:
    if clause.margin is None:
        return 1.0
    against = clause.operand_value
    size = abs(float(against)) if isinstance(against, float) else 0.0
    return min(1.0, max(0.0, -clause.margin) / max(size, 1.0))
