"""What was said over time and what was expected, a lane for each rule."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

from adapters.rehearsal.report.words import seconds
from adapters.rehearsal.run import Rehearsed
from service.advisories import AdvisoryEvent
from service.rehearsal.running import event_s
from service.rehearsal.scenario import Expected, Scenario
from service.rehearsal.times import Window

MOST_LANES: Final = 8
#: Changes that get a mark of their own; the table beside the picture has all.
MARKED: Final = ("raised", "returned", "acknowledged", "reminded", "escalated", "cleared")


@dataclass(frozen=True, slots=True)
class Due:
    """A window in which something is expected (s), as it is drawn: with the tolerance.

    `what` is the change that is expected, `words` say also when, as it was asked.
    """

    what: str
    words: str
    begins_s: float
    ends_s: float


@dataclass(frozen=True, slots=True)
class Bar:
    """A time in which an advisory stood (s), with its priority, and by itself or `explained`."""

    begins_s: float
    ends_s: float
    priority: str
    explained: bool


@dataclass(slots=True)
class Lane:
    """One rule: what was expected of it, and the changes of its advisories, in order of time."""

    rule: str
    due: list[Due] = field(default_factory=list)
    bars: list[Bar] = field(default_factory=list)
    marks: list[AdvisoryEvent] = field(default_factory=list)

    def words(self) -> str:
        """In one sentence: what was expected, and what came."""
        due = ", ".join(one.words for one in self.due)
        told = [one for one in self.marks if one.kind != "reminded"]
        came = ", ".join(f"{one.kind} at {seconds(event_s(one))}" for one in told)
        if len(told) < len(self.marks):
            came += f", reminded {len(self.marks) - len(told)} times"
        expected = f"expected {due}; " if due else ""
        return f"{self.rule}: {expected}{came or 'not raised'}"


def lanes_of(one: Rehearsed) -> list[Lane]:
    """First the rules that are expected, then others that were raised: not more than MOST_LANES."""
    lanes: dict[str, Lane] = {}
    for expected in one.scenario.expects:
        lane = lanes.setdefault(expected.rule, Lane(expected.rule))
        lane.due += _due(expected, one.scenario)
    events = one.ran.events if one.ran is not None else []
    for event in events:
        lane = lanes.setdefault(event.advisory.rule, Lane(event.advisory.rule))
        if event.kind in MARKED:
            lane.marks.append(event)
    for rule, lane in lanes.items():
        own = [event for event in events if event.advisory.rule == rule]
        lane.bars += _bars(own, one.lasts_s)
    return list(lanes.values())[:MOST_LANES]


def _due(expected: Expected, scenario: Scenario) -> Iterator[Due]:
    named = (
        ("raised", expected.raised),
        *(("reminded", window) for window in expected.reminded),
        ("escalated", expected.escalated),
        ("cleared", expected.cleared),
    )
    for what, window in named:
        if isinstance(window, Window):
            yield _widened(what, window, scenario)


def _widened(what: str, window: Window, scenario: Scenario) -> Due:
    # With the tolerance even one moment can be seen.
    tolerance_s = scenario.tolerance_s
    begins_s = max(0.0, window.begins_s - tolerance_s)
    return Due(
        what, f"{what} {window}", begins_s, min(scenario.lasts_s, window.ends_s + tolerance_s)
    )


def quiet_windows(scenario: Scenario) -> list[Due]:
    """Times in which nothing may speak."""
    words = "nothing may speak"
    return [Due("quiet", words, one.begins_s, one.ends_s) for one in scenario.quiet]


def _bars(events: Sequence[AdvisoryEvent], ends_s: float) -> Iterator[Bar]:
    """A bar from each change to the next while the advisory stands."""
    for number, event in enumerate(events):
        advisory = event.advisory
        if advisory.state == "cleared":
            continue
        until_s = event_s(events[number + 1]) if number + 1 < len(events) else ends_s
        if until_s > event_s(event):
            explained = advisory.outranked_by is not None
            yield Bar(event_s(event), until_s, advisory.priority.value, explained)
