"""A scenario: one animal, what happens to it, and what a rule set should say of that and when."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Literal

from rules.engine.guard import FactValue
from service.rehearsal.series import Series
from service.rehearsal.times import Window

#: A place is looked at once a second, so what is expected may come so much sooner or later (s).
TOLERANCE_S: Final = 1.0

#: So long a scenario is at the most, and a recording is run (s).
LONGEST_S: Final = 6 * 3600.0


@dataclass(frozen=True, slots=True)
class Written:
    """Where something is written."""

    file: str
    line: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}"


@dataclass(frozen=True, slots=True)
class Animal:
    """Who lies there; `mass_kg` may be unknown."""

    species: str
    class_: str
    mass_kg: float | None
    phase: str = "maintenance"

    def __str__(self) -> str:
        mass = "" if self.mass_kg is None else f", {self.mass_kg:g} kg"
        return f"{self.species}{mass}"


@dataclass(frozen=True, slots=True)
class Facts:
    """A timeline of facts, by name, as rules see them."""

    series: Mapping[str, Series]


@dataclass(frozen=True, slots=True)
class Simulated:
    """A timeline of what happens to a simulated animal: one sentence each.

    `simulate` are parts of the simulation as the author wants them, by name.
    """

    happens: tuple[tuple[str, Written], ...]
    simulate: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Readings:
    """A timeline of a monitor's values and of settings, by name on the wire."""

    series: Mapping[str, Series]


@dataclass(frozen=True, slots=True)
class Recorded:
    """A recording beside the file of the scenario."""

    file: str


Never = Literal["never"]
NEVER: Final[Never] = "never"

Timeline = Facts | Simulated | Readings | Recorded


@dataclass(frozen=True, slots=True)
class Asked:
    """A person's request: `rule` is the advisory to acknowledge, `minutes` how long a pause is."""

    at_s: float
    action: Literal["acknowledge", "pause", "resume"]
    by: str
    where: Written
    rule: str | None = None
    minutes: float | None = None
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class Expected:
    """That the advisory of a rule is raised, and what becomes of it; None: not asked."""

    rule: str
    where: Written
    raised: Window
    priority: str | None = None
    says: str | None = None
    with_: Mapping[str, tuple[FactValue, FactValue]] = field(default_factory=dict)
    explained_by: str | None = None
    reminded: tuple[Window, ...] = ()
    escalated: Window | Never | None = None
    cleared: Window | Never | None = None


@dataclass(frozen=True, slots=True)
class Scenario:
    """`never` are rules that must not be raised, `quiet` times in which nothing may speak.

    With `others_silent` no rule may speak that is not expected.
    """

    name: str
    where: Written
    animal: Animal
    lasts_s: float
    timeline: Timeline
    about: str = ""
    asked: tuple[Asked, ...] = ()
    expects: tuple[Expected, ...] = ()
    never: tuple[str, ...] = ()
    quiet: tuple[Window, ...] = ()
    others_silent: bool = False
    tolerance_s: float = TOLERANCE_S

    @property
    def rules(self) -> frozenset[str]:
        """Every rule that it names."""
        return frozenset({one.rule for one in self.expects} | set(self.never))
