"""What a scenario has put to the test: every clause at every look, and what stood then."""

from __future__ import annotations

from rules.coverage import Coverage, Observer
from rules.engine import clean
from service.judge import Judge
from service.rehearsal.running import Ran


def observe(ran: Ran, judge: Judge) -> Coverage:
    """The coverage of one scenario."""
    observer = Observer(judge.rule_set)
    waiting = list(ran.events)
    standing: set[str] = set()
    for look in ran.looks:
        # What changes at a look is decided by it: what stood before is what it looked at.
        while waiting and waiting[0].at_ms < look.now_ms:
            event = waiting.pop(0)
            if event.kind in ("raised", "returned"):
                standing.add(event.advisory.rule)
            elif event.kind == "cleared":
                standing.discard(event.advisory.rule)
        known, _ = clean(look.facts.values, judge.wanted)
        observer.look(known, judge.limits_for(look.patient), standing)
    return observer.coverage
