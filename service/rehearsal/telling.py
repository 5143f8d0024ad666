"""One rule from a healthy animal to its advisory and on to its end, along its very edges."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from rules.conditions import Leaf
from rules.model import SCOPE_FACTS, Condition, Escalation, Rule
from rules.rationale import leaf_holds
from rules.vocabulary import CATALOGUE
from service.rehearsal.edges import Ground, Values, just_holding, just_short, known, ways
from service.rehearsal.scenario import Asked, Expected, Written
from service.rehearsal.story import Story
from service.rehearsal.times import Window

#: A stretch goes on for so long after something was due in it (s).
AFTER_S: Final = 5.0
BEFORE_S: Final = 10.0
PROPOSED: Final = Written("proposed", 1)


def at(at_s: float) -> Window:
    """One moment."""
    return Window(at_s, at_s)


def way_that_holds(condition: Condition, values: Values, ground: Ground) -> tuple[Leaf, ...] | None:
    """Clauses that make the condition true with these values; None when it is not."""
    facts = known(values)
    for way in ways(condition):
        if all(leaf_holds(leaf, facts, ground.limits) for leaf in way):
            return way
    return None


@dataclass(slots=True)
class Telling:
    """The story of one rule, what is to be expected of it, and what somebody asks meanwhile."""

    rule: Rule
    ground: Ground
    story: Story = field(default_factory=Story)
    expected: Expected | None = None
    asked: list[Asked] = field(default_factory=list)

    def tell(self, begins: Sequence[Leaf], ends: Sequence[Sequence[Leaf]]) -> bool:
        """Along this way to begin, and the first of these ways to end that can be gone.

        False when there are no values for it.
        """
        when = self._when
        holding = just_holding(begins, when, self.ground, self.ground.healthy)
        holding = None if holding is None else self._not_over(holding)
        if holding is None:
            return False
        self.story.stand(self.ground.healthy, BEFORE_S)
        self._near_misses(begins, holding)
        self._raise(holding)
        self._remind(holding)
        self._escalate(holding)
        self._acknowledge(holding)
        self._clear(ends, holding)
        return True

    @property
    def _when(self) -> Condition:
        return self.rule.needing(self.rule.when)

    @property
    def _ends(self) -> Condition:
        return self.rule.needing(self.rule.clearing)

    @property
    def _promise(self) -> Expected:
        assert self.expected is not None  # noqa: S101 (it is raised before anything else)
        return self.expected

    def _each_short(
        self, way: Sequence[Leaf], holding: Values, condition: Condition, for_s: float
    ) -> None:
        """Each clause in turn just fails, for as long as it would take and a little more."""
        for leaf in dict.fromkeys(way):
            short = just_short(leaf, holding, condition, self.ground)
            if short is not None:
                self.story.stand(short, for_s + AFTER_S)

    def _near_misses(self, begins: Sequence[Leaf], holding: Values) -> None:
        for_s = self.rule.for_s
        self._each_short(begins, holding, self._when, for_s)
        for elsewhere in self._out_of_scope():
            self.story.stand({**holding, **elsewhere}, for_s + AFTER_S)

    def _out_of_scope(self) -> Iterator[Values]:
        """Where the rule does not apply, as far as one animal can come to be there."""
        for key, labels in self.rule.only_in.items():
            fact = SCOPE_FACTS[key]
            others = [label for label in CATALOGUE[fact].labels if label not in labels]
            if fact != "patient.class" and others:
                yield {fact: others[0]}

    def _not_over(self, holding: Values) -> Values | None:
        """What just holds must not be over by another fact that still is a healthy animal's."""
        clearing = self.rule.clearing
        for _ in ways(clearing):
            over = way_that_holds(clearing, holding, self.ground)
            if over is None:
                return holding
            changed = (just_short(leaf, holding, clearing, self.ground) for leaf in over)
            still = (
                values
                for values in changed
                if values is not None and way_that_holds(self._when, values, self.ground)
            )
            found = next(still, None)
            if found is None:
                return None
            holding = found
        return holding

    def _raise(self, holding: Values) -> None:
        rule = self.rule
        raised = at(self.story.now_s + rule.for_s)
        self.expected = Expected(rule.id, PROPOSED, raised, priority=str(rule.priority))
        self.story.stand(holding, rule.for_s + AFTER_S)

    def _remind(self, holding: Values) -> None:
        """What becomes more urgent by time alone reminds differently from then on."""
        escalate, raised_s = self.rule.escalate, self.rule.remind.raised_s
        if raised_s is not None and (escalate is None or escalate.when is not None):
            self._reminder(self._promise.raised.begins_s + raised_s, holding)

    def _reminder(self, due_s: float, holding: Values) -> None:
        reminded = (*self._promise.reminded, at(due_s))
        self.expected = replace(self._promise, reminded=reminded)
        self.story.stand_until(holding, due_s + AFTER_S)

    def _escalate(self, holding: Values) -> None:
        escalate = self.rule.escalate
        if escalate is None:
            return
        if escalate.when is None:
            due_s = self._promise.raised.begins_s + escalate.for_s
            self.story.stand_until(holding, due_s + AFTER_S)
            self.expected = replace(self._promise, escalated=at(due_s))
        else:
            self._escalate_when(escalate, escalate.when, holding)

    def _escalate_when(self, escalate: Escalation, when: Condition, holding: Values) -> None:
        for way in ways(when):
            worse = just_holding(way, when, self.ground, holding)
            if worse is not None and way_that_holds(self._when, worse, self.ground):
                self._each_short(way, worse, when, escalate.for_s)
                due_s = self.story.now_s + escalate.for_s
                self.story.stand(worse, escalate.for_s + AFTER_S)
                self.expected = replace(self._promise, escalated=at(due_s))
                return

    def _acknowledge(self, holding: Values) -> None:
        rule, now_s = self.rule, self.story.now_s
        if not rule.latch and rule.remind.acknowledged_s is None:
            return
        self.asked.append(Asked(now_s, "acknowledge", "somebody", PROPOSED, rule=rule.id))
        self.story.stand(holding, AFTER_S)
        if rule.remind.acknowledged_s is not None and rule.escalate is None:
            self._reminder(now_s + rule.remind.acknowledged_s, holding)

    def _clear(self, ends: Sequence[Sequence[Leaf]], holding: Values) -> None:
        """What is just not over yet, clause by clause; then what just is."""
        for_s = self.rule.clears_for_s
        for way in ends:
            over = just_holding(way, self._ends, self.ground, holding)
            if over is None:
                continue
            if self.rule.clears is not None:
                self.story.stand(self._lingering(holding), for_s + AFTER_S)
                self._each_short(way, over, self._ends, for_s)
            cleared = at(self.story.now_s + for_s)
            self.story.stand(self._for_good(over), for_s + AFTER_S)
            self.expected = replace(self._promise, cleared=cleared)
            return

    def _lingering(self, holding: Values) -> Values:
        """What has made it begin is gone, and yet it is not over."""
        needs, ground = self.rule.needs, self.ground
        for leaf in way_that_holds(self._when, holding, ground) or ():
            values = just_short(leaf, holding, self._when, ground)
            if values is None or (needs is not None and not way_that_holds(needs, values, ground)):
                continue
            if way_that_holds(self.rule.clearing, values, ground) is None:
                return values
        return holding

    def _for_good(self, over: Values) -> Values:
        """What is over must not begin again by another fact that still tells of it."""
        for leaf in way_that_holds(self._when, over, self.ground) or ():
            values = just_short(leaf, over, self._when, self.ground)
            if values is not None and way_that_holds(self._ends, values, self.ground):
                return values
        return over
