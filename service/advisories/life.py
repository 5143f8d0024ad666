"""The steps of one advisory's life: raised, returned, escalated, ended, cleared, acknowledged.

What wants to speak is handed back as `Asks`, and told once it is known what outranks what.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from rules.model import Rule
from rules.priority import Priority
from rules.wording import duration
from service.advisories import timing
from service.advisories.model import (
    Advisory,
    AdvisoryEvent,
    Changes,
    EventKind,
    Finding,
    Moment,
    Tracked,
    Writer,
    advisory_id,
)


@dataclass(frozen=True, slots=True)
class Asks:
    """An advisory that wants to speak, and as what."""

    kind: EventKind
    tracked: Tracked
    advisory: Advisory
    reason: str | None = None


@dataclass(slots=True)
class Step:
    """One rule at one moment."""

    place: str
    rule: Rule
    tracked: Tracked
    moment: Moment
    write: Writer

    def take(self, changes: Changes) -> Asks | None:
        """Bring the rule to this moment; returns what wants to speak of it."""
        advisory = self.tracked.advisory
        if advisory is None:
            return self._from_nothing(changes)
        if advisory.ended_ms is not None:
            if timing.begins(self.rule, self.tracked, self.moment, changes.findings):
                return self._return(advisory)
            return None
        reason = timing.ends(self.rule, self.tracked, self.moment)
        if reason is not None:
            self._end(advisory, reason, changes)
            return None
        timing.watch_escalation(self.rule, self.tracked, self.moment)
        return self._escalate(advisory)

    def _from_nothing(self, changes: Changes) -> Asks | None:
        tracked, now_ms = self.tracked, self.moment.now_ms
        recent = tracked.recent
        if recent is not None and not self._is_recent(recent):
            tracked.recent = recent = None
        if not timing.begins(self.rule, tracked, self.moment, changes.findings):
            return None
        if recent is not None:
            return self._return(recent)
        onset_ms = now_ms if tracked.holds_since_ms is None else tracked.holds_since_ms
        identity = advisory_id(self.place, self.moment.patient, self.rule.id, onset_ms)
        advisory = self.write(self.rule, self.moment, onset_ms, identity)
        return self._raise("raised", advisory)

    def _is_recent(self, cleared: Advisory) -> bool:
        again_ms = timing.whole_ms(self.rule.again_s)
        since_ms = self.moment.now_ms - (cleared.cleared_ms or 0)
        return again_ms > 0 and since_ms <= again_ms

    def _return(self, before: Advisory) -> Asks:
        """The same advisory again, with the texts of now."""
        times = before.times + 1
        rule = replace(self.rule, clears_for_s=timing.clears_for_s(self.rule, times))
        keeps = before.acknowledged_ms is not None and before.priority is not Priority.HIGH
        advisory = replace(
            self.write(rule, self.moment, before.onset_ms, before.id),
            priority=before.priority,
            raised_ms=before.raised_ms,
            state="acknowledged" if keeps else "raised",
            acknowledged_by=before.acknowledged_by if keeps else None,
            acknowledged_ms=before.acknowledged_ms if keeps else None,
            outranked_by=before.outranked_by,
            times=times,
            returned_ms=self.moment.now_ms,
            escalated_ms=before.escalated_ms,
        )
        gone_ms = before.ended_ms if before.cleared_ms is None else before.cleared_ms
        gone = duration((self.moment.now_ms - (gone_ms or 0)) / 1000.0)
        return self._raise("returned", advisory, f"back {gone} after it was over")

    def _raise(self, kind: EventKind, advisory: Advisory, reason: str | None = None) -> Asks:
        tracked = self.tracked
        tracked.advisory, tracked.recent = advisory, None
        tracked.clears_since_ms = tracked.escalates_since_ms = None
        tracked.counts_from_ms = self.moment.now_ms
        timing.watch_escalation(self.rule, tracked, self.moment)
        return Asks(kind, tracked, advisory, reason)

    def _escalate(self, advisory: Advisory) -> Asks | None:
        rule, now_ms = self.rule, self.moment.now_ms
        if rule.escalate is None or not timing.escalates(rule, self.tracked, now_ms):
            return None
        held = duration(rule.escalate.for_s)
        if rule.escalate.when is None:
            reason = f"it has stood for {held}"
        else:
            reason = f"what makes it more urgent has held for {held}"
        advisory.priority = rule.escalate.priority
        advisory.escalated_ms = self.tracked.counts_from_ms = now_ms
        advisory.state = "raised"
        advisory.acknowledged_by = advisory.acknowledged_ms = None
        return Asks("escalated", self.tracked, advisory, reason)

    def _end(self, advisory: Advisory, reason: str, changes: Changes) -> None:
        tracked, now_ms = self.tracked, self.moment.now_ms
        if not self.rule.latch or advisory.state == "acknowledged":
            clear(tracked, now_ms, reason, changes)
            return
        advisory.ended_ms = now_ms
        tracked.holds_since_ms = tracked.clears_since_ms = tracked.escalates_since_ms = None
        changes.findings.append(Finding(advisory.rule, now_ms, holds=False))
        changes.events.append(AdvisoryEvent("ended", now_ms, replace(advisory), reason=reason))


def clear(tracked: Tracked, now_ms: int, reason: str, changes: Changes) -> None:
    """Clear the advisory, if there is one. It is remembered in case it comes back."""
    advisory = tracked.advisory
    if advisory is None:
        return
    cleared = replace(advisory, state="cleared", cleared_ms=now_ms)
    changes.events.append(AdvisoryEvent("cleared", now_ms, cleared, reason=reason))
    if advisory.ended_ms is None:
        changes.findings.append(Finding(advisory.rule, now_ms, holds=False))
        tracked.holds_since_ms = None
    tracked.clears_since_ms = tracked.escalates_since_ms = None
    tracked.advisory, tracked.unheard = None, False
    tracked.recent = replace(cleared, outranked_by=None)


def acknowledge(tracked: Tracked, advisory: Advisory, by: str, now_ms: int) -> Changes:
    """Quiet this advisory; one that only stood to be acknowledged is cleared."""
    advisory.state = "acknowledged"
    advisory.acknowledged_by, advisory.acknowledged_ms = by, now_ms
    tracked.counts_from_ms, tracked.unheard = now_ms, False
    changes = Changes([AdvisoryEvent("acknowledged", now_ms, replace(advisory), by=by)])
    if advisory.ended_ms is not None:
        clear(tracked, now_ms, "the condition had ended before", changes)
    return changes
