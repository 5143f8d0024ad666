"""A whole evaluation: cases, recordings, and the files about them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

from pydantic import TypeAdapter

from adapters.evaluation.files import worst_cases, write_cases, write_json
from adapters.evaluation.recorded import evaluate_recordings
from adapters.evaluation.report import write_page
from adapters.evaluation.run import Asked, CaseResult, Sides, evaluate_cases, load_sides
from adapters.evaluation.summary import summary_of
from adapters.journal import code_sha256, open_journal
from rules.notice import NOTICE
from service.outbound import rule_set_words

#: The finished cases of an evaluation that is not, beside its files to be.
UNFINISHED: Final = "unfinished.jsonl"
_RESULT: Final = TypeAdapter(CaseResult)


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
    watched: AbstractContextManager[Callable[[], None]],
    out: Path,
    recordings: Sequence[Path] = (),
) -> Evaluation:
    """Evaluate cases and recordings.

    Each finished case is kept in `out` until `write_evaluation`: what an earlier run of the same
    evaluation left there is not evaluated again. `watched` is entered when the cases begin, and
    what it gives is called after each. What is wrong with rules, kinds, recordings or what an
    earlier run left is raised before that.
    """
    sides = load_sides(asked)
    recorded = evaluate_recordings(recordings, sides)
    work = _work(asked, population, sides)
    with open_journal(out / UNFINISHED, work, _RESULT) as journal, watched as each:
        found = {result.number: result for result in journal.done}
        left = []
        for number in population.numbers:
            if number in found:
                each()
            else:
                left.append(number)
        for result in evaluate_cases(asked, population.seed, left, population.jobs):
            journal.add(result)
            found[result.number] = result
            each()
    words = rule_set_words(sides.contenders[0].rule_set)
    results = [found[number] for number in population.numbers]
    return Evaluation(population.seed, words, results, recorded)


def _work(asked: Asked, population: Population, sides: Sides) -> dict[str, str | int]:
    """What makes two runs the same: their cases can stand in for each other."""
    kinds = b"" if asked.kinds is None else asked.kinds.read_bytes()
    return {
        "seed": population.seed,
        "rules": sides.contenders[0].rule_set.sha256,
        "kinds": sha256(kinds).hexdigest(),
        "code": code_sha256(),
    }


def write_evaluation(evaluation: Evaluation, out: Path) -> dict[str, Any]:
    """Write the files into `out`; returns what is in the JSON."""
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
    (out / UNFINISHED).unlink(missing_ok=True)
    return summary
