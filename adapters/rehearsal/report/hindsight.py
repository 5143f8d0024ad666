"""What was known at any time of a scenario that has run, and why a rule spoke then or did not."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from adapters.rehearsal.run import Rehearsed
from rules.engine import build_engine
from rules.model import Rule, RuleSet
from rules.rationale import ClauseResult, explain
from service.advisories import Advisory, Moment, Tracked
from service.judge import Judge
from service.rehearsal.looks import Look, instant, seconds
from service.rehearsal.running import Ran
from service.why import Why, why


@dataclass(frozen=True, slots=True)
class Stretch:
    """A time in which a rule's condition held without a break (s)."""

    begins_s: float
    ends_s: float

    @property
    def lasts_s(self) -> float:
        """How long it held (s)."""
        return self.ends_s - self.begins_s


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a rule spoke at `at_s` or did not.

    `held` is when its condition held, in the whole scenario. `escalating` are the clauses that make
    a standing advisory more urgent. `nearest` is the time at which a rule whose condition never
    held was nearer to speaking than at `at_s`; None where it never was.
    """

    at_s: float
    why: Why
    held: tuple[Stretch, ...]
    escalating: tuple[ClauseResult, ...] = ()
    nearest: Reason | None = None


class Hindsight:
    """Looks back at scenarios with the rules that judged them."""

    def __init__(self, rule_set: RuleSet) -> None:
        self._judge = Judge(rule_set, build_engine(rule_set, "plain"))
        self._rules = {rule.id: rule for rule in rule_set.rules}
        self._latest: tuple[Ran, list[Moment]] | None = None

    def reason(self, one: Rehearsed, rule_id: str | None, at_s: float | None) -> Reason | None:
        """Why this rule spoke at this time (s) or did not; None where nothing can be looked at."""
        rule = self._rules.get(rule_id or "")
        if rule is None or at_s is None or one.ran is None or not one.ran.looks:
            return None
        moments = self._moments(one.ran)
        held = tuple(_held(rule, moments))
        now = self._reason(rule, one.ran, at_s, held)
        if now is None or held or now.why.state == "stands":
            return now
        nearer = min(moments, key=lambda moment: _distance(why(rule, moment, {})))
        if _distance(why(rule, nearer, {})) >= _distance(now.why):
            return now
        nearest = self._reason(rule, one.ran, seconds(nearer.now_ms), held)
        return Reason(at_s, now.why, held, now.escalating, nearest)

    def _moments(self, ran: Ran) -> list[Moment]:
        """Every look judged; of the latest scenario they are kept, for its other points."""
        if self._latest is None or self._latest[0] is not ran:
            self._latest = (ran, [self._moment(look) for look in ran.looks])
        return self._latest[1]

    def _moment(self, look: Look, now_ms: int | None = None) -> Moment:
        return self._judge.moment(
            look.patient, look.facts, look.now_ms if now_ms is None else now_ms
        )

    def _reason(
        self, rule: Rule, ran: Ran, at_s: float, held: tuple[Stretch, ...]
    ) -> Reason | None:
        look = ran.look_at(at_s) or ran.looks[0]
        moment = self._moment(look, instant(at_s))
        book = _book(ran, moment.now_ms)
        own = book.setdefault(rule.id, Tracked())
        own.holds_since_ms = _since(held, at_s)
        reason = why(rule, moment, book)
        escalates = rule.escalate.when if rule.escalate is not None else None
        if reason.state != "stands" or escalates is None:
            return Reason(at_s, reason, held)
        facts = moment.facts
        clauses = explain(escalates, facts.values, moment.limits, facts.unknown)
        return Reason(at_s, reason, held, tuple(clauses))


def _held(rule: Rule, moments: list[Moment]) -> Iterator[Stretch]:
    begins_s: float | None = None
    for moment in moments:
        holds, at_s = f"{rule.id}/when" in moment.conditions, seconds(moment.now_ms)
        if holds and begins_s is None:
            begins_s = at_s
        elif not holds and begins_s is not None:
            yield Stretch(begins_s, at_s)
            begins_s = None
    if begins_s is not None:
        yield Stretch(begins_s, seconds(moments[-1].now_ms))


def _since(held: tuple[Stretch, ...], at_s: float) -> int | None:
    """Since when (ms since 1970) the condition holds that holds now."""
    now = [stretch for stretch in held if stretch.begins_s <= at_s <= stretch.ends_s]
    return instant(now[-1].begins_s) if now else None


def _book(ran: Ran, now_ms: int) -> dict[str, Tracked]:
    """The advisories that stand at this moment, by their rules, as the place's book held them."""
    latest: dict[str, Advisory] = {}
    for event in ran.events:
        if event.at_ms <= now_ms:
            latest[event.advisory.rule] = event.advisory
    standing = {rule: one for rule, one in latest.items() if one.state != "cleared"}
    return {rule: Tracked(advisory=one) for rule, one in standing.items()}


def _distance(reason: Why) -> tuple[float, ...]:
    """How far a rule is from speaking: less is nearer."""
    outside = reason.state == "out of scope"
    return (outside, len(reason.in_the_way), reason.shortfall)
