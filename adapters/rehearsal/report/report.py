"""What a report tells of: a rule set, what came of its scenarios, and how much they test."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from adapters.rehearsal.pool import Rehearsal
from adapters.rehearsal.run import Rehearsed
from rules.coverage import Coverage
from rules.model import RuleSet
from service.rehearsal.reading import Accepted


@dataclass(frozen=True, slots=True)
class Survivor:
    """A small change of the rules that no scenario notices.

    `of` is the rule or limit that is changed, `kind` how, `words` to what. `reason` says why
    nobody has to notice it; None when nobody has given one.
    """

    of: str
    kind: str
    words: str
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class Report:
    """A whole rehearsal, scenarios in their order.

    Without `coverage` or `survivors` the report leaves that out. `changes` counts all small changes
    by kind, noticed or not; `stale` are those that were accepted as unnoticed, and are noticed or
    no change any more. `took_s` is how long it all took, `each_took_s` each scenario by its
    name, both by the clock on the wall; None and left out where it was not measured.
    """

    rule_set: RuleSet
    rehearsed: Sequence[Rehearsed]
    coverage: Coverage | None = None
    survivors: Sequence[Survivor] | None = None
    changes: Mapping[str, int] = field(default_factory=dict)
    stale: Sequence[Accepted] = ()
    took_s: float | None = None
    each_took_s: Mapping[str, float] = field(default_factory=dict)

    @classmethod
    def of(cls, rule_set: RuleSet, rehearsal: Rehearsal, took_s: float | None = None) -> Report:
        """The report of what came of many scenarios; small changes only if any were made."""
        survivors = [
            Survivor(one.of, one.kind, one.words, rehearsal.reason(one))
            for one in rehearsal.survivors
        ]
        return cls(
            rule_set=rule_set,
            rehearsed=rehearsal.rehearsed,
            coverage=rehearsal.coverage,
            survivors=survivors if rehearsal.changes else None,
            changes=rehearsal.changes,
            stale=rehearsal.stale(),
            took_s=took_s,
            each_took_s=rehearsal.each_took_s,
        )

    @property
    def failed(self) -> list[Rehearsed]:
        """The scenarios that are not as expected."""
        return [one for one in self.rehearsed if not one.passed]

    @property
    def simulated_s(self) -> float:
        """How long all scenarios are together, in their own time (s)."""
        return sum(one.lasts_s for one in self.rehearsed)

    def by_file(self) -> dict[str, list[Rehearsed]]:
        """The scenarios by the file that they are written in."""
        files: dict[str, list[Rehearsed]] = {}
        for one in self.rehearsed:
            files.setdefault(one.scenario.where.file, []).append(one)
        return files
