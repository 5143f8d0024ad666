"""How long a rule's conditions have held, and when that will be long enough."""

from __future__ import annotations

from rules.model import SCOPE_FACTS, Rule
from service.advisories.model import Advisory, Finding, Moment, Tracked


def begins(rule: Rule, tracked: Tracked, moment: Moment, findings: list[Finding]) -> bool:
    """Whether the rule, of which nothing is going on, has now held for long enough."""
    if f"{rule.id}/when" not in moment.conditions:
        if tracked.holds_since_ms is not None:
            findings.append(Finding(rule.id, moment.now_ms, holds=False))
        tracked.holds_since_ms = None
        return False
    if tracked.holds_since_ms is None:
        tracked.holds_since_ms = moment.now_ms
        findings.append(Finding(rule.id, moment.now_ms, holds=True))
    return moment.now_ms >= tracked.holds_since_ms + whole_ms(rule.for_s)


def ends(rule: Rule, tracked: Tracked, moment: Moment) -> str | None:
    """Why the condition of a standing advisory is over, if it is."""
    if rule.only_in and f"{rule.id}/in_scope" not in moment.conditions:
        return "does not apply any more: " + _scope_now(rule, moment)
    if f"{rule.id}/clears" not in moment.conditions:
        tracked.clears_since_ms = None
        return None
    if tracked.clears_since_ms is None:
        tracked.clears_since_ms = moment.now_ms
    return None if moment.now_ms < _clears_ms(rule, tracked) else "the condition has ended"


def clears_for_s(rule: Rule, times: int) -> float:
    """How long its clearing has to hold: longer for one that has come and gone before."""
    return rule.clears_for_s if times < 2 else max(rule.clears_for_s, rule.again_s)


def watch_escalation(rule: Rule, tracked: Tracked, moment: Moment) -> None:
    """Note since when what makes the advisory more urgent has held without a break."""
    escalate = rule.escalate
    if escalate is None:
        return
    if escalate.when is not None and f"{rule.id}/escalates" not in moment.conditions:
        tracked.escalates_since_ms = None
    elif tracked.escalates_since_ms is None:
        tracked.escalates_since_ms = moment.now_ms


def escalates(rule: Rule, tracked: Tracked, now_ms: int) -> bool:
    """Whether the advisory is to become more urgent now."""
    due_ms = _escalates_ms(rule, tracked)
    return due_ms is not None and now_ms >= due_ms


def reminder_ms(rule: Rule, tracked: Tracked) -> int | None:
    """When the standing advisory is to speak again, were it neither outranked nor paused."""
    advisory = tracked.advisory
    if advisory is None:
        return None
    acknowledged = advisory.state == "acknowledged"
    every_s = rule.remind.acknowledged_s if acknowledged else rule.remind.raised_s
    return None if every_s is None else tracked.counts_from_ms + whole_ms(every_s)


def due_ms(rule: Rule, tracked: Tracked, *, paused: bool) -> int | None:
    """When next something happens by the mere passing of time."""
    advisory = tracked.advisory
    due: list[int | None] = []
    if advisory is None or advisory.ended_ms is not None:
        held_ms = tracked.holds_since_ms
        due.append(None if held_ms is None else held_ms + whole_ms(rule.for_s))
    else:
        clears = tracked.clears_since_ms is not None
        due += [_clears_ms(rule, tracked) if clears else None, _escalates_ms(rule, tracked)]
    if advisory is not None and advisory.outranked_by is None and not paused:
        due.append(reminder_ms(rule, tracked))
    return min((at_ms for at_ms in due if at_ms is not None), default=None)


def whole_ms(seconds: float) -> int:
    """Seconds as whole milliseconds."""
    return round(1000 * seconds)


def _clears_ms(rule: Rule, tracked: Tracked) -> int:
    times = tracked.advisory.times if tracked.advisory is not None else 1
    return (tracked.clears_since_ms or 0) + whole_ms(clears_for_s(rule, times))


def _escalates_ms(rule: Rule, tracked: Tracked) -> int | None:
    since_ms, advisory = tracked.escalates_since_ms, tracked.advisory
    if rule.escalate is None or advisory is None or since_ms is None:
        return None
    # While the clearing holds nothing becomes more urgent, however long the advisory has stood.
    if tracked.clears_since_ms is not None or not _may_escalate(rule, advisory):
        return None
    return since_ms + whole_ms(rule.escalate.for_s)


def _may_escalate(rule: Rule, advisory: Advisory) -> bool:
    """Once only, and only upwards."""
    higher = rule.escalate is not None and rule.escalate.priority.rank > advisory.priority.rank
    return higher and advisory.escalated_ms is None


def _scope_now(rule: Rule, moment: Moment) -> str:
    values = moment.facts.values
    names = (f"{key} is {values.get(SCOPE_FACTS[key], 'unknown')}" for key in rule.only_in)
    return ", ".join(names)
