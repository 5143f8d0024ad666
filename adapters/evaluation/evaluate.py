"""A whole evaluation: cases, recordings, and the files about them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from adapters.evaluation.files import worst_cases, write_cases, write_json
from adapters.evaluation.recorded import evaluate_recordings
from adapters.evaluation.report import write_page
from adapters.evaluation.run import Asked, CaseResult, evaluate_cases, load_sides
from adapters.evaluation.summary import summary_of
from service.outbound import NOTICE, rule_set_words


@dataclass(frozen=True, slots=True)
class Evaluation:
    """What came of it: the rules, each case, and each recording."""

    seed: int
    rule_set: dict[str, str]
    results: list[CaseResult]
    recordings: list[dict[str, Any]]


@dataclass(frozen=True, slots=True)
class Population:
    """Which cases of which seed, and how many processes work on them."""

    seed: int
    numbers: Sequence[int]
    jobs: int = 1


def evaluate_all(
    asked: Asked,
    population: Population,
    each: Callable[[], None],
    recordings: Sequence[Path] = (),
) -> Evaluation:
    """Evaluate cases and recordings; `each` is called after each case.

    What is wrong with rules, kinds or recordings is raised before the first case is run.
    """
    sides = load_sides(asked)
    recorded = evaluate_recordings(recordings, sides)
    results = []
    for result in evaluate_cases(asked, population.seed, population.numbers, population.jobs):
        results.append(result)
        each()
    words = rule_set_words(sides.contenders[0].rule_set)
    return Evaluation(population.seed, words, results, recorded)


def write_evaluation(evaluation: Evaluation, out: Path) -> dict[str, Any]:
    """Write the files into `out`; returns what is in the JSON."""
    out.mkdir(parents=True, exist_ok=True)
    results = evaluation.results
    summary = {
        "notice": NOTICE,
        "rule_set": evaluation.rule_set,
        **summary_of(results, evaluation.seed),
        "worst": worst_cases(results, evaluation.seed),
        "recordings": evaluation.recordings,
    }
    write_json(summary, out)
    write_cases(results, out)
    write_page(summary, out / "evaluation.html")
    return summary
