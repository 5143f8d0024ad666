"""A timeline of facts under way: values that stand for a while, one after the other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from rules.engine.guard import FactValue
from service.rehearsal.edges import Values
from service.rehearsal.scenario import Animal, Facts
from service.rehearsal.series import Series, Stretch

_WHO: Final = ("patient.class", "patient.species", "patient.phase", "patient.mass")


def who(animal: Animal) -> Values:
    """The facts that say who lies there."""
    return dict(
        zip(_WHO, (animal.class_, animal.species, animal.phase, animal.mass_kg), strict=True)
    )


@dataclass(slots=True)
class Story:
    """What stands so far, and how long (s) that is."""

    parts: list[tuple[Values, float]] = field(default_factory=list)
    now_s: float = 0.0

    def stand(self, values: Mapping[str, FactValue | None], seconds: float) -> None:
        """These values stand for so long; for no time at all they are not told."""
        if seconds > 0.0:
            self.parts.append((dict(values), seconds))
            self.now_s += seconds

    def stand_until(self, values: Mapping[str, FactValue | None], at_s: float) -> None:
        """These values stand until then, if that is still to come."""
        self.stand(values, at_s - self.now_s)

    def facts(self) -> Facts:
        """It as the timeline of a scenario. Of who lies there only what changes is a fact."""
        names = dict.fromkeys(name for values, _ in self.parts for name in values)
        series = {
            name: _series([(values.get(name), lasts_s) for values, lasts_s in self.parts])
            for name in names
        }
        return Facts(
            {
                name: one
                for name, one in series.items()
                if name not in _WHO or len(one.stretches) > 1
            }
        )


def _series(parts: Sequence[tuple[FactValue | None, float]]) -> Series:
    """One fact's values; the same twice in a row is one stretch."""
    stretches: list[Stretch] = []
    now_s = 0.0
    for value, lasts_s in parts:
        if stretches and stretches[-1].value == value and type(stretches[-1].value) is type(value):
            stretches[-1] = replace(stretches[-1], ends_s=now_s + lasts_s)
        else:
            stretches.append(Stretch(now_s, now_s + lasts_s, value))
        now_s += lasts_s
    stretches[-1] = replace(stretches[-1], ends_s=float("inf"))
    return Series(tuple(stretches))
