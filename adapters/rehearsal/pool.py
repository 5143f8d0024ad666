"""Many scenarios in worker processes: what came, what was covered, what would be noticed."""

from __future__ import annotations

import multiprocessing
import signal
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from adapters.rehearsal.files import Found
from adapters.rehearsal.run import Rehearsed, Stage
from adapters.rehearsal.shares import Share, clause_share, noticed_share
from adapters.rule_files import LoadedRules
from rules.coverage import Coverage
from rules.loading import load_rule_set
from rules.model import RuleSet
from rules.mutation import MOVED, Mutant, mutants
from service.rehearsal.noticing import Engines, Noticing
from service.rehearsal.observing import observe
from service.rehearsal.reading import Accepted
from service.rehearsal.running import Ran
from service.rehearsal.scenario import Facts, Scenario

#: So many are done before other processes have begun.
_FEW: Final = 6


@dataclass(slots=True)
class Rehearsal:
    """Everything that came of all scenarios, in their order.

    `survivors` are those of the small `changes` (how many, by kind) that no scenario noticed;
    `each_took_s` is how long each scenario took by the clock on the wall, by its name.
    """

    rehearsed: list[Rehearsed]
    coverage: Coverage
    survivors: list[Mutant] = field(default_factory=list)
    changes: Counter[str] = field(default_factory=Counter)
    accepted: tuple[Accepted, ...] = ()
    each_took_s: dict[str, float] = field(default_factory=dict)

    @property
    def clauses(self) -> Share:
        """Clauses that were seen in every way."""
        return clause_share(self.coverage)

    @property
    def noticed(self) -> Share:
        """Small changes that some scenario noticed."""
        return noticed_share(self.changes, self.survivors)

    @property
    def thresholds(self) -> Share:
        """Moved limits, numbers and times that some scenario noticed."""
        return noticed_share(self.changes, self.survivors, MOVED)

    def reason(self, mutant: Mutant) -> str | None:
        """Why nobody has to notice this change; None when nobody has said."""
        return next(
            (
                one.because
                for one in self.accepted
                if (one.of, one.change) == (mutant.of, mutant.words)
            ),
            None,
        )

    def stale(self) -> list[Accepted]:
        """What was accepted as unnoticed, and is noticed now or is no change any more."""
        left = {(mutant.of, mutant.words) for mutant in self.survivors}
        return [one for one in self.accepted if (one.of, one.change) not in left]


@dataclass(frozen=True, slots=True)
class _One:
    """What a worker found out about one scenario."""

    rehearsed: Rehearsed
    took_s: float
    coverage: Coverage
    noticed: frozenset[int]


def rehearse_all(
    rules: LoadedRules,
    found: Found,
    jobs: int,
    each: Callable[[], None] = lambda: None,
    *,
    changes: bool = False,
) -> Rehearsal:
    """Run all scenarios through the rule set; `each` is called after each.

    With `changes` also find out which small changes of the rules would be noticed.
    """
    quick = [one for one in found.scenarios if isinstance(one.timeline, Facts)]
    slow = sorted(
        (one for one in found.scenarios if not isinstance(one.timeline, Facts)), key=_weight
    )
    results: dict[str, _One] = {}
    made = list(mutants(rules.rule_set)) if changes else []
    left = frozenset(mutant.number for mutant in made)
    with _workers(rules, jobs if len(found.scenarios) > _FEW else 1) as work:
        for scenarios in (quick, slow):
            for one in work([_Task(s, found.folder(s), left) for s in scenarios]):
                results[one.rehearsed.scenario.name] = one
                each()
            left -= frozenset().union(*(one.noticed for one in results.values()))
    coverage = Coverage.none_of(rules.rule_set)
    for one in results.values():
        coverage.add(one.coverage)
    return Rehearsal(
        rehearsed=[results[scenario.name].rehearsed for scenario in found.scenarios],
        coverage=coverage,
        survivors=[mutant for mutant in made if mutant.number in left],
        changes=Counter(mutant.kind for mutant in made),
        accepted=found.read.accepted if changes else (),
        each_took_s={name: one.took_s for name, one in results.items()},
    )


def rehearse_plainly(
    rules: LoadedRules,
    scenarios: Sequence[tuple[Scenario, Path]],
    jobs: int,
    each: Callable[[], None] = lambda: None,
) -> dict[str, Rehearsed]:
    """What comes of scenarios, each with the folder of its recordings, by name; and no more."""
    found: dict[str, Rehearsed] = {}
    ordered = sorted(scenarios, key=lambda one: _weight(one[0]))
    with _workers(rules, jobs if len(ordered) > _FEW else 1) as work:
        for one in work([_Task(scenario, folder, plain=True) for scenario, folder in ordered]):
            found[one.rehearsed.scenario.name] = one.rehearsed
            each()
    return found


def _weight(scenario: Scenario) -> tuple[bool, float]:
    """What takes longest goes first, so that no worker waits for another at the end."""
    return isinstance(scenario.timeline, Facts), -scenario.lasts_s


# -- workers --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Task:
    """A scenario, its folder, and the changes left that none has noticed; `plain`: only run it."""

    scenario: Scenario
    folder: Path
    left: frozenset[int] = frozenset()
    plain: bool = False


@contextmanager
def _workers(
    rules: LoadedRules, jobs: int
) -> Iterator[Callable[[Sequence[_Task]], Iterable[_One]]]:
    """Gives what works through tasks: here for one job, in processes of their own for more."""
    if jobs == 1:
        worker = _Worker(rules.rule_set)
        yield lambda tasks: (worker.one(task) for task in tasks)
        return
    # A fresh interpreter for each: the engine's extension does not survive a fork in use.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(jobs, context, _begin, (rules.files,)) as pool:

        def work(tasks: Sequence[_Task]) -> Iterator[_One]:
            waiting = [pool.submit(_task, task) for task in tasks]
            return (done.result() for done in as_completed(waiting))

        try:
            yield work
        except BaseException:
            # Who is interrupted waits for what is under way, not for all that was still to come.
            pool.shutdown(wait=False, cancel_futures=True)
            raise


class _Worker:
    """One process with its rule set. What it has seen noticed it does not try again."""

    def __init__(self, rule_set: RuleSet) -> None:
        self._stage = Stage(rule_set)
        self._engines = Engines()
        self._changes: list[Mutant] | None = None
        self._noticed: set[int] = set()

    def one(self, task: _Task) -> _One:
        began_s = time.perf_counter()
        rehearsed = self._stage.rehearse(task.scenario, task.folder)
        took_s = time.perf_counter() - began_s
        ran = rehearsed.ran
        if ran is None or task.plain:
            return _One(rehearsed, took_s, Coverage(), frozenset())
        noticed = self._notices(task.scenario, ran, task.left) if rehearsed.passed else frozenset()
        return _One(rehearsed, took_s, observe(ran, self._stage.judge), noticed)

    def _notices(self, scenario: Scenario, ran: Ran, left: frozenset[int]) -> frozenset[int]:
        if not left:
            return frozenset()
        if self._changes is None:
            self._changes = list(mutants(self._stage.judge.rule_set))
        noticing = Noticing(scenario, ran, self._stage.judge, self._engines)
        if not noticing.usable:
            return frozenset()
        asked = left - self._noticed
        found = frozenset(noticing.noticed(one for one in self._changes if one.number in asked))
        self._noticed |= found
        return found


_worker: _Worker | None = None


def _begin(files: Mapping[str, str]) -> None:
    global _worker  # noqa: PLW0603 (what a worker process keeps between tasks)
    # Ctrl-C reaches every process of a terminal; the one that began these ends them.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _worker = _Worker(load_rule_set(files))


def _task(task: _Task) -> _One:
    assert _worker is not None  # noqa: S101 (the pool begins before it asks)
    return _worker.one(task)
