"""What a scenario expects against what was said: each point met or not, and why not."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from rules.engine.guard import FactValue
from rules.rationale import display
from service.advisories import AdvisoryEvent
from service.rehearsal.running import Ran, event_s
from service.rehearsal.scenario import Expected, Scenario, Written
from service.rehearsal.times import Window


@dataclass(frozen=True, slots=True)
class Verdict:
    """One point. `why` says what came instead when it is not met."""

    asks: str
    met: bool
    why: str
    where: Written
    rule: str | None = None
    at_s: float | None = None


def verdicts(scenario: Scenario, ran: Ran) -> list[Verdict]:
    """Every point of the scenario, in the order written; then what must not be."""
    return list(_Check(scenario, ran).points())


class _Check:
    def __init__(self, scenario: Scenario, ran: Ran) -> None:
        self._scenario, self._ran = scenario, ran
        self._taken: set[int] = set()

    def points(self) -> Iterator[Verdict]:
        for expected in self._scenario.expects:
            yield from self._expected(expected)
        yield from self._unexpected()
        for rule in self._scenario.never:
            yield self._never(rule)
        for window in self._scenario.quiet:
            yield self._quiet(window)
        if self._scenario.others_silent:
            yield self._others()
        for asked, reason in self._ran.unmet:
            what = f"{asked.action} {asked.rule or ''}".strip()
            yield Verdict(f"{what} at {asked.at_s:g} s", False, reason, asked.where, asked.rule)
        for fault in self._ran.faults:
            yield Verdict("nothing goes wrong", False, fault, self._scenario.where)

    # -- one expectation ----------------------------------------------------------------------

    def _expected(self, expected: Expected) -> Iterator[Verdict]:
        found = self._raise(expected)
        asks = f"{expected.rule} is raised {expected.raised}"
        if found is None:
            at_s = min(expected.raised.ends_s, self._scenario.lasts_s)
            why = self._when_else(expected.rule)
            yield Verdict(asks, False, why, expected.where, expected.rule, at_s)
            return
        at_s = event_s(found)
        raised = f"raised at {at_s:.1f} s"
        yield Verdict(asks, True, raised, expected.where, expected.rule, at_s)
        yield from self._as_asked(expected, found)
        yield from self._later(expected, found)

    def _raise(self, expected: Expected) -> AdvisoryEvent | None:
        for number, event in enumerate(self._ran.events):
            if event.advisory.rule == expected.rule and _raises(event):
                window = expected.raised
                inside = window.holds(event_s(event), self._scenario.tolerance_s)
                if inside and number not in self._taken:
                    self._taken.add(number)
                    return event
        return None

    def _when_else(self, rule: str) -> str:
        times = [
            f"{event_s(event):.1f} s"
            for event in self._ran.events
            if event.advisory.rule == rule and _raises(event)
        ]
        return f"raised at {', '.join(times)}" if times else "not raised"

    def _as_asked(self, expected: Expected, found: AdvisoryEvent) -> Iterator[Verdict]:
        """How it is when it is raised."""
        advisory, at_s = found.advisory, event_s(found)

        def point(asks: str, met: bool, why: str) -> Verdict:
            return Verdict(f"{expected.rule} {asks}", met, why, expected.where, expected.rule, at_s)

        if expected.priority is not None:
            is_now = str(advisory.priority)
            yield point(f"is of {expected.priority} priority", is_now == expected.priority, is_now)
        if expected.says is not None:
            met = expected.says.casefold() in advisory.says.casefold()
            yield point(f'says "{expected.says}"', met, advisory.says)
        look = self._ran.look_at(at_s)
        values = {} if look is None else look.facts.values
        for fact, (low, high) in expected.with_.items():
            value = values.get(fact)
            shown = "unknown" if value is None else display(value, fact)
            wanted = display(low, fact) if low == high else f"{display(low, fact)} to {high:g}"
            yield point(f"comes with {fact} {wanted}", _within(value, low, high), shown)

    def _later(self, expected: Expected, found: AdvisoryEvent) -> Iterator[Verdict]:
        """What becomes of it."""
        after = self._ran.events[self._ran.events.index(found) :]
        own = [event for event in after if event.advisory.id == found.advisory.id]
        if expected.reminded:
            yield self._no_other_reminder(expected, own)
        later = [("reminded", window) for window in expected.reminded]
        for kind, asked in (("escalated", expected.escalated), ("cleared", expected.cleared)):
            if isinstance(asked, Window):
                later.append((kind, asked))
            elif asked is not None:
                against = [event for event in own if event.kind == kind]
                yield self._absent(f"{expected.rule} is never {kind}", against, expected.rule)
        for kind, window in later:
            yield self._change(expected, kind, window, own)
        if expected.explained_by is not None:
            above = [rule for rule in map(self._ran.explainer, own) if rule is not None]
            yield Verdict(
                f"{expected.rule} is explained by {expected.explained_by}",
                expected.explained_by in above,
                f"explained by {', '.join(dict.fromkeys(above))}" if above else "nothing did",
                expected.where, expected.rule, event_s(found),
            )  # fmt: skip

    def _no_other_reminder(self, expected: Expected, own: Sequence[AdvisoryEvent]) -> Verdict:
        """Up to the last one expected it reminds then, and at no other time."""
        tolerance_s = self._scenario.tolerance_s
        until_s = max(window.ends_s for window in expected.reminded) + tolerance_s
        found = [
            event
            for event in own
            if event.kind == "reminded"
            and event_s(event) <= until_s
            and not any(one.holds(event_s(event), tolerance_s) for one in expected.reminded)
        ]
        return self._absent(f"{expected.rule} reminds at no other time", found, expected.rule)

    def _change(
        self, expected: Expected, kind: str, window: Window, own: Sequence[AdvisoryEvent]
    ) -> Verdict:
        times = [event_s(event) for event in own if event.kind == kind]
        met = any(window.holds(at_s, self._scenario.tolerance_s) for at_s in times)
        words = ", ".join(f"{at_s:.1f} s" for at_s in times)
        return Verdict(
            f"{expected.rule} is {kind} {window}",
            met,
            f"{kind} at {words}" if times else f"not {kind}",
            expected.where,
            expected.rule,
            times[0] if times else min(window.ends_s, self._scenario.lasts_s),
        )

    # -- what must not be ---------------------------------------------------------------------

    def _unexpected(self) -> Iterator[Verdict]:
        """A rule that is expected is raised when it is, and at no other time."""
        where = {one.rule: one.where for one in self._scenario.expects}
        for number, event in enumerate(self._ran.events):
            rule = event.advisory.rule
            if rule in where and _raises(event) and number not in self._taken:
                yield Verdict(
                    f"{rule} is raised at no other time", False, _told(event), where[rule], rule,
                    event_s(event),
                )  # fmt: skip

    def _never(self, rule: str) -> Verdict:
        found = [e for e in self._ran.events if e.advisory.rule == rule and _raises(e)]
        return self._absent(f"{rule} is never raised", found, rule)

    def _quiet(self, window: Window) -> Verdict:
        found = [
            event for event in self._ran.events if event.speaks and window.holds(event_s(event), 0)
        ]
        return self._absent(f"nothing speaks {window}", found)

    def _others(self) -> Verdict:
        named = self._scenario.rules
        found = [e for e in self._ran.events if e.speaks and e.advisory.rule not in named]
        return self._absent("no other rule speaks", found)

    def _absent(
        self, asks: str, found: Sequence[AdvisoryEvent], rule: str | None = None
    ) -> Verdict:
        why = "; ".join(map(_told, found[:3]))
        if len(found) > 3:
            why += f"; and {len(found) - 3} more"
        at_s = event_s(found[0]) if found else None
        first = found[0].advisory.rule if found else rule
        return Verdict(asks, not found, why, self._scenario.where, first, at_s)


def _raises(event: AdvisoryEvent) -> bool:
    return event.kind in ("raised", "returned")


def _told(event: AdvisoryEvent) -> str:
    advisory = event.advisory
    return f"{advisory.rule} ({advisory.priority}) was {event.kind} at {event_s(event):.1f} s"


def _within(value: FactValue | None, low: FactValue, high: FactValue) -> bool:
    numbers = (value, low, high)
    if all(isinstance(one, int | float) and not isinstance(one, bool) for one in numbers):
        return float(low) <= float(value or 0.0) <= float(high)
    return value == low
