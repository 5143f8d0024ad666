"""The picture of a scenario as data, drawn by the page's script when it is opened; and in words."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from adapters.cli.words import MARKS
from adapters.rehearsal.report.lanes import Due, Lane, lanes_of, quiet_windows
from adapters.rehearsal.report.limits_shown import Held, Limits, Line, comparisons
from adapters.rehearsal.report.words import seconds
from adapters.rehearsal.run import Rehearsed
from rules.model import Rule
from rules.vocabulary import CATALOGUE
from rules.wording import unit_words, with_digits
from service.advisories import AdvisoryEvent
from service.rehearsal.looks import Look
from service.rehearsal.running import event_s
from service.rehearsal.scenario import Facts

MOST_PANELS: Final = 6
_MOST_LINES: Final = 4
#: What is shown of breaths wherever readings are, also when no rule of the scenario asks for it.
BREATHS: Final = ("paw.pip", "etco2", "spo2")


@dataclass(frozen=True, slots=True)
class Panel:
    """One fact over time: (s, value in its unit; None: not known), and the limits beside it."""

    fact: str
    points: tuple[tuple[float, float | None], ...]
    lines: tuple[Line, ...] = ()

    @property
    def values(self) -> list[float]:
        """The values that are known."""
        return [value for _, value in self.points if value is not None]

    @property
    def passes_a_limit(self) -> bool:
        """Whether it was on both sides of a limit, or on it and beside it."""
        limits = {value for line in self.lines for _, _, value in line.runs}
        sides = ({(value > limit) - (value < limit) for value in self.values} for limit in limits)
        return any(len(one) > 1 for one in sides)

    @property
    def reach(self) -> tuple[float, float]:
        """From where to where it is drawn: with its limits, and wide enough that noise looks so."""
        fact = CATALOGUE[self.fact]
        shown = [*self.values, *(value for line in self.lines for _, _, value in line.runs)]
        low, high = min(shown), max(shown)
        least = max(10.0 * 10.0**-fact.digits, 0.1 * max(abs(low), abs(high)))
        room = max(0.1 * (high - low), (least - (high - low)) / 2.0)
        return low - room, min(high + room, fact.high + 0.05 * (high - low + least))

    def shown(self, value: float | None) -> str:
        """A value as it is read, or that it is not known."""
        fact = CATALOGUE[self.fact]
        return "unknown" if value is None else with_digits(value, fact, fact.digits)

    def words(self) -> str:
        """In a few words: from which value to which."""
        low, high = self.shown(min(self.values)), self.shown(max(self.values))
        return f"{CATALOGUE[self.fact].meaning} {low if low == high else f'{low} to {high}'}"


@dataclass(slots=True)
class Picture:
    """All that a picture shows; `ends_s` is where its time ends (s)."""

    ends_s: float
    lanes: list[Lane]
    quiet: list[Due]
    panels: list[Panel] = field(default_factory=list)

    def words(self, name: str) -> str:
        """What the picture shows, for those who do not see it."""
        said = ". ".join(lane.words() for lane in self.lanes) or "Nothing was said"
        facts = "; ".join(panel.words() for panel in self.panels)
        shown = f" Facts: {facts}. The tables say the same, with the limits." if facts else ""
        return f"Timeline of {name}, {seconds(self.ends_s)} long. {said}.{shown}"

    def body(self) -> dict[str, Any]:
        """For the page's script. Times in s, values in the unit that stands with them."""
        return {
            "ends": _short(self.ends_s),
            "lanes": [_lane(lane) for lane in self.lanes],
            "quiet": [[_short(one.begins_s), _short(one.ends_s), one.words] for one in self.quiet],
            "panels": [_panel(panel) for panel in self.panels],
        }


def line_words(line: Line) -> str:
    """A limit beside a fact: `airway-narrowing speaks above 1.5 cmH2O, limit airway_step`."""
    held = line.held
    limit = f", limit {held.limit}" if held.limit else ""
    return f"{held.rule} {held.words(line.runs[0][2])}{limit}"


def picture(one: Rehearsed, limits: Limits) -> Picture | None:
    """The picture of a scenario; None when it could not be run."""
    if one.ran is None or not one.ran.looks:
        return None
    looks = one.ran.looks
    drawn = Picture(one.lasts_s, lanes_of(one), quiet_windows(one.scenario))
    rules = [limits.rules[rule] for rule in named_rules(one) if rule in limits.rules]
    asked = _asked(rules)
    panels = [
        Panel(fact, _points(fact, looks), tuple(_telling(limits.lines(held, looks))))
        for fact, held in asked.items()
    ]
    drawn.panels += _most_relevant(panels)[:MOST_PANELS]
    if not isinstance(one.scenario.timeline, Facts):
        there = {panel.fact for panel in drawn.panels}
        breaths = (Panel(fact, _points(fact, looks)) for fact in BREATHS if fact not in there)
        drawn.panels += [panel for panel in breaths if panel.values]
    return drawn


def named_rules(one: Rehearsed) -> list[str]:
    """The rules that a scenario is about, those of points not met first."""
    missed = (verdict.rule for verdict in one.verdicts if not verdict.met)
    expected = (expected.rule for expected in one.scenario.expects)
    found = dict.fromkeys([*missed, *expected, *one.scenario.never])
    found.pop(None, None)
    if not found and one.ran is not None:
        found = dict.fromkeys(event.advisory.rule for event in one.ran.events)
    return [rule for rule in found if rule is not None]


def _asked(rules: Iterable[Rule]) -> dict[str, list[Held]]:
    """The comparisons of these rules by the fact that they compare."""
    found: dict[str, list[Held]] = {}
    for rule in rules:
        for held in comparisons(rule):
            found.setdefault(held.leaf.fact, []).append(held)
    return found


def _most_relevant(panels: list[Panel]) -> list[Panel]:
    """Those that change: first those that pass a limit, as their rules name them."""
    known = [panel for panel in panels if panel.values]
    changing = [panel for panel in known if len({value for _, value in panel.points}) > 1]
    return sorted(changing, key=lambda panel: not panel.passes_a_limit) or known[:1]


def _points(fact: str, looks: Sequence[Look]) -> tuple[tuple[float, float | None], ...]:
    """The value at each look at which it is not what it was before, and at the last.

    Where it ceases to be known it stands twice: what it was until then, and that it is not known.
    """
    points: list[tuple[float, float | None]] = []
    for look in looks:
        value = _number(look, fact)
        if value is None and points and points[-1][1] is not None:
            points.append((look.at_s, points[-1][1]))
        if not points or points[-1][1] != value or look is looks[-1]:
            points.append((look.at_s, value))
    return tuple(points)


def _number(look: Look, fact: str) -> float | None:
    value = look.facts.values.get(fact)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return round(float(value), CATALOGUE[fact].digits + 2)


def _telling(lines: list[Line]) -> list[Line]:
    """Each limit once, not more than can be told apart; what makes rules speak goes first."""
    seen: dict[tuple[str, tuple[tuple[float, float, float], ...]], Line] = {}
    for line in sorted(lines, key=lambda one: one.held.key != "when"):
        seen.setdefault((line.held.key, line.runs), line)
    return list(seen.values())[:_MOST_LINES]


def _lane(lane: Lane) -> dict[str, Any]:
    return {
        "rule": lane.rule,
        "due": [
            [_short(one.begins_s), _short(one.ends_s), one.what, one.words] for one in lane.due
        ],
        "bars": [
            [_short(one.begins_s), _short(one.ends_s), one.priority, one.explained]
            for one in lane.bars
        ],
        "marks": [
            [_short(event_s(one)), one.kind, one.advisory.priority.value, _mark(one)]
            for one in lane.marks
        ],
    }


def _mark(event: AdvisoryEvent) -> str:
    mark = MARKS[event.advisory.priority.value].strip()
    words = f"{event.kind} {seconds(event_s(event))}"
    return f"{mark} {words}" if event.kind in ("raised", "returned", "escalated") else words


def _panel(panel: Panel) -> dict[str, Any]:
    fact = CATALOGUE[panel.fact]
    rules = {line.held.rule for line in panel.lines}
    return {
        "title": fact.meaning,
        "fact": panel.fact,
        "unit": unit_words(fact.unit),
        "reach": [round(end, 4) for end in panel.reach],
        "x": [_short(at_s) for at_s, _ in panel.points],
        "y": [value for _, value in panel.points],
        "limits": [
            {
                "words": line.held.words(line.runs[0][2]),
                "rule": line.held.rule if len(rules) > 1 else "",
                "purpose": line.held.key,
                "runs": [[_short(a), _short(b), round(value, 6)] for a, b, value in line.runs],
            }
            for line in panel.lines
        ],
    }


def _short(at_s: float) -> float:
    return round(at_s, 2)
