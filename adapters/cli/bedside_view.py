"""The demo's live view in a terminal: places by need, their values, what stands and why."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from adapters.cli.words import MARKS, STYLES, priority_text
from adapters.simulator.scenario import Scenario
from rules.notice import NOTICE
from rules.vocabulary import CATALOGUE
from rules.wording import duration
from service.advisories import Advisory
from service.advisories.order import beneath
from service.facts import FactSet, facts_of
from service.watch import Outcome, WatchState

#: Heading with its unit, and fact.
_VALUES: Final = (
    ("Ti\ns", "breath.ti"),
    ("peak\ncmH2O", "paw.pip"),
    ("CO2\nmmHg", "etco2"),
    ("SpO2\n%", "spo2"),
)

_ROOMY: Final = 100


@dataclass(slots=True)
class PlaceView:
    """What one place shows now."""

    name: str
    who: str
    mode: str
    facts: FactSet
    standing: list[Advisory]
    last_heard_s: float | None

    @property
    def need(self) -> tuple[int, str]:
        """Places sort by this: the highest standing priority first, then by name."""
        ranks = [-a.priority.rank for a in self.standing if a.outranked_by is None]
        return (min(ranks, default=0), self.name)


@dataclass(slots=True)
class WardView:
    """A snapshot of the ward, made on the service's thread, drawn on the screen's."""

    places: list[PlaceView] = field(default_factory=list)
    now_ms: int = 0


class LatestView:
    """Hands the newest snapshot from the service to the screen."""

    def __init__(self, scenario: Scenario, pages: str | None = None) -> None:
        """`pages` is where a browser shows the same."""
        self._pages = pages
        self._names = {spec.place: spec for spec in scenario.places}
        self._lock = threading.Lock()
        self._view = WardView()
        self._next_ms = 0

    def on_cycle(self, state: WatchState, outcome: Outcome) -> None:
        """Take a snapshot, at most four times a second."""
        if state.reached_ms < self._next_ms and not outcome.events:
            return
        self._next_ms = state.reached_ms + 250
        places = [self._place(name, state) for name in state.places]
        with self._lock:
            self._view = WardView(
                sorted(places, key=lambda place: place.need),
                state.reached_ms,
            )

    def draw(self, elapsed_s: float, total_s: float, console: Console) -> RenderableType:
        """The screen as it is now, fitted to the console's size."""
        with self._lock:
            view = self._view
        above = Group(_heading(elapsed_s, total_s, self._pages), _table(view.places, console.width))
        below = Text(NOTICE, style="dim")
        room = console.height - _lines(console, above) - _lines(console, below) - 1
        return Group(above, *_standing(view, room, console), below)

    def _place(self, name: str, state: WatchState) -> PlaceView:
        place = state.places[name]
        bedside = place.bedside
        patient = bedside.patient
        who = "waiting for the animal's data"
        if patient is not None:
            mass = f", {patient.mass_kg:g} kg" if patient.mass_kg is not None else ""
            who = f"{patient.patient}, {patient.species}{mass}"
        facts = facts_of(bedside, state.reached_ms)
        heard = facts.values.get("data.any_age")
        return PlaceView(
            name=bedside.place,
            who=who,
            mode=str(facts.values.get("settings.mode", "mode unknown")),
            facts=facts,
            standing=[replace(advisory) for advisory in place.book.standing()],
            last_heard_s=heard if isinstance(heard, float) else None,
        )


def _heading(elapsed_s: float, total_s: float, pages: str | None) -> RenderableType:
    text = Text()
    text.append("Tidewarden", style="bold")
    text.append(f"  {elapsed_s:.0f} of {total_s:.0f} s  ", style="bold")
    text.append("invented hospital, simulated animals, real service; Ctrl-C ends it", style="dim")
    if pages is not None:
        text.append(f"\nIn a browser: {pages}")
    return Group(text, Rule(style="dim"))


def _table(places: Sequence[PlaceView], width: int) -> Table:
    # In a narrow window the air between columns goes to the animal's name.
    padding = (0, 1) if width >= _ROOMY else (0, 1, 0, 0)
    table = Table(box=None, expand=True, padding=padding, header_style="dim")
    table.add_column("need", width=10)
    table.add_column("place", width=6)
    table.add_column("who", ratio=3, no_wrap=True)
    table.add_column("mode", width=11)
    for heading in ("rate\n/min", *(heading for heading, _ in _VALUES)):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("data\nage", justify="right", width=5)
    for place in places:
        table.add_row(
            _need(place),
            place.name,
            place.who,
            place.mode,
            _rate(place.facts),
            *(_value(place.facts, name) for _, name in _VALUES),
            _heard(place.last_heard_s),
        )
    return table


def _need(place: PlaceView) -> Text:
    top = next((a for a in place.standing if a.outranked_by is None), None)
    if top is None:
        return Text("quiet", style="dim")
    return priority_text(top.priority.value)


def _value(facts: FactSet, name: str) -> str:
    value = facts.values.get(name)
    return f"{value:.{CATALOGUE[name].digits}f}" if isinstance(value, float) else "-"


def _rate(facts: FactSet) -> str:
    """The rate of breathing, or for how long no breath was seen."""
    for name in ("breath.rr", "co2.rr"):
        if name in facts.values:
            return _value(facts, name)
    since_s = facts.values.get("breathing.since")
    return "-" if not isinstance(since_s, float) else f"none {duration(since_s)}"


def _heard(age_s: float | None) -> Text:
    if age_s is None:
        return Text("none", style="bold")
    return Text(f"{age_s:.0f} s", style="bold" if age_s > 3 else "dim")


def _standing(view: WardView, room: int, console: Console) -> list[RenderableType]:
    """What stands, highest first. Every title is told before any is told in full."""
    if not view.places:
        return [Padding(Text("No place has been heard yet."), (1, 0))]
    told = [(place, a) for place in view.places for a in place.standing if a.outranked_by is None]
    if not told:
        silent = [p.name for p in view.places if p.last_heard_s is None or p.last_heard_s > 5]
        words = f"Not heard: {', '.join(silent)}." if silent else "Every place is being heard."
        return [Padding(Text(f"No advisory stands. {words}", style="dim"), (1, 0))]
    titles = [_title(place, advisory, view.now_ms) for place, advisory in told]
    room -= sum(_lines(console, title) for title in titles)
    parts: list[RenderableType] = []
    for title, (place, advisory) in zip(titles, told, strict=True):
        reasons = _reasons(place, advisory)
        needed = _lines(console, reasons)
        parts.append(title)
        if needed <= room:
            parts.append(reasons)
            room -= needed
    return parts


def _lines(console: Console, part: RenderableType) -> int:
    return len(console.render_lines(part, pad=False))


def _title(place: PlaceView, advisory: Advisory, now_ms: int) -> RenderableType:
    word = advisory.priority.value
    title = Text()
    title.append(f"{MARKS[word]} {word:<6} ", style=STYLES[word])
    title.append(f"{place.name}  ", style="bold")
    title.append(advisory.says, style="bold")
    title.append(f"  raised {duration((now_ms - advisory.raised_ms) / 1000.0)} ago", style="dim")
    return title


def _reasons(place: PlaceView, advisory: Advisory) -> RenderableType:
    """Why, what to look at, what this explains; and a line of air."""
    lines = [
        Text("why    " + advisory.because, style="dim"),
        Text("look   " + "  /  ".join(advisory.look_at[:3])),
    ]
    explained = [a.title for a in beneath(place.standing, advisory.id)]
    if explained:
        lines.append(Text("also   explained by this: " + ", ".join(explained), style="dim"))
    return Padding(Group(*lines), (0, 0, 1, 11))
