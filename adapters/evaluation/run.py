"""Cases through bedside, facts and rules: one at a time, or many in worker processes."""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path
from typing import Final

from adapters.backtest.labels import SUFFIX, labels_text
from adapters.backtest.sources import stem
from adapters.evaluation import faults
from adapters.evaluation.case import START_MS
from adapters.evaluation.judge import Verdict, due_at_s, judge
from adapters.evaluation.mapping import kinds_of, read_kinds
from adapters.evaluation.population import Case, draw_case
from adapters.evaluation.species import mass_band
from adapters.evaluation.trace import Told, simulate
from adapters.evaluation.truth import Truth, joined, measured, truth_of
from adapters.evaluation.truth_kinds import Kind
from adapters.evaluation.watching import Bench, Contender, contender
from adapters.recordings import Line, write_recording
from adapters.rule_files import load_rules
from rules.limits import LimitTable
from rules.model import RuleSet
from service.instants import to_text
from service.intake import Arrival

#: The names of the sides: the rule set under evaluation first.
UNDER_EVALUATION: Final = "rules"
COMPARATORS: Final = ("monitor-limits", "monitor-limits-delayed")
SIDES: Final = (UNDER_EVALUATION, *COMPARATORS)
_MS_PER_S: Final = 1000.0
_CHUNK: Final = 4


@dataclass(frozen=True, slots=True)
class Asked:
    """What is to be evaluated: a rule set as `load_rules` takes it, and its file of kinds."""

    rules: str
    kinds: Path | None = None


@dataclass(frozen=True, slots=True)
class Sides:
    """The rule sets ready to run, and which conditions their rules speak of."""

    contenders: tuple[Contender, ...]
    kinds: Mapping[str, Mapping[str, frozenset[Kind]]]


@dataclass(frozen=True, slots=True)
class CaseResult:
    """What came of one case. Times in s; `period_s` is a breath at the start."""

    number: int
    species: str
    class_: str
    mass_kg: float
    band: str
    lasts_s: float
    period_s: float
    fault: str | None
    severity: str | None
    begins_s: float | None
    ends_s: float | None
    happenings: tuple[tuple[str, float], ...]
    verdicts: Mapping[str, Verdict]


def load_sides(asked: Asked) -> Sides:
    """Read and build all rule sets; RuleFilesError, RuleSetError or EvaluationError say why not."""
    read = read_kinds(asked.kinds)
    own = read_kinds()
    home = resources.files("adapters.evaluation") / "comparators"
    sets = {UNDER_EVALUATION: load_rules(asked.rules).rule_set}
    limits = sets[UNDER_EVALUATION].limits
    sets |= {
        name: _with_limits(load_rules(str(home / name)).rule_set, limits) for name in COMPARATORS
    }
    return Sides(
        tuple(contender(name, rule_set) for name, rule_set in sets.items()),
        {
            name: kinds_of(rule_set, read if name == UNDER_EVALUATION else own)
            for name, rule_set in sets.items()
        },
    )


def _with_limits(rule_set: RuleSet, limits: LimitTable) -> RuleSet:
    """A comparator goes by the same limits, where the rule set under evaluation has them."""
    own = rule_set.limits.limits
    same = {name: limits.limits.get(name, limit) for name, limit in own.items()}
    return replace(rule_set, limits=LimitTable(same))


def evaluate_case(case: Case, sides: Sides) -> CaseResult:
    """Simulate the case, let every side watch it, and judge."""
    told = simulate(case)
    truth = truth_of(case, told)
    bench = Bench(sides.contenders, START_MS)
    bench.run(arrivals_of(told), START_MS + round(case.lasts_s * _MS_PER_S))
    animal, fault = case.animal, case.fault
    return CaseResult(
        number=case.number,
        species=animal.species.name,
        class_=animal.species.class_,
        mass_kg=animal.mass_kg,
        band=mass_band(animal.mass_kg),
        lasts_s=case.lasts_s,
        period_s=round(told.period_s, 3),
        fault=fault.id if fault is not None else None,
        severity=fault.severity if fault is not None else None,
        begins_s=fault.begins_s if fault is not None else None,
        ends_s=fault.ends_s if fault is not None else None,
        happenings=tuple((one.id, one.begins_s) for one in case.happenings),
        verdicts={
            name: judge(case, truth, bench.spoken[name], sides.kinds[name]) for name in SIDES
        },
    )


def arrivals_of(told: Told) -> list[Arrival]:
    """The messages of a case as they are received: at once, and as bytes."""
    return [one.arrival() for one in told.sent]


def record_case(case: Case, path: Path) -> int:
    """Write the case as a recording to look at with `tidewarden replay`; returns its lines.

    What was true is written beside it, as `tidewarden backtest` reads it.
    """
    told = simulate(case)
    lines = write_recording(path, (Line(one.at_ms, one.topic, one.payload) for one in told.sent))
    labels = path.with_name(stem(path.name) + SUFFIX)
    labels.write_text(_labels(case, told), "utf-8")
    return lines


def _labels(case: Case, told: Told) -> str:
    """Only the fault of the case has to be told, and once; all else that was there may be."""
    found = joined(measured(case, told))
    due_s = due_at_s(case, Truth(tuple(found)))
    names = faults.BY_ID[case.fault.id].names if case.fault is not None else frozenset()
    happened: list[dict[str, object]] = []
    for one in found:
        row: dict[str, object] = {"what": one.kind.value, "from": _instant(one.begins_s)}
        row["to"] = _instant(one.ends_s)
        if one.due_s is None or one.due_s != due_s or one.kind not in names:
            happened.append({**row, "tell": False})
        else:
            urgent = {} if one.grave_s is None else {"urgent": True}
            happened.append({**row, "tell_by": _instant(one.due_s), **urgent})
    return labels_text("measured in the simulation", 0.0, happened, complete=True)


def _instant(at_s: float) -> str:
    return to_text(START_MS + round(at_s * _MS_PER_S))


# -- many ---------------------------------------------------------------------------------------

_loaded: Sides | None = None


def evaluate_cases(
    asked: Asked, seed: int, numbers: Sequence[int], jobs: int
) -> Iterator[CaseResult]:
    """Evaluate these cases in `jobs` processes; results come in the order of `numbers`."""
    if jobs == 1:
        sides = load_sides(asked)
        yield from (evaluate_case(draw_case(seed, number), sides) for number in numbers)
        return
    # A fresh interpreter for each: the engine's extension does not survive a fork in use.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(jobs, context, _load, (asked,)) as pool:
        yield from pool.map(_one, [(seed, number) for number in numbers], chunksize=_CHUNK)


def _load(asked: Asked) -> None:
    global _loaded  # noqa: PLW0603 (what a worker process keeps between cases)
    _loaded = load_sides(asked)


def _one(which: tuple[int, int]) -> CaseResult:
    assert _loaded is not None  # noqa: S101 (the pool loads before it asks)
    return evaluate_case(draw_case(*which), _loaded)
