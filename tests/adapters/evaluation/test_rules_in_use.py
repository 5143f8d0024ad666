"""The rules in use on a small simulated population: no worse than what was measured on 3,000.

Everything is simulated. The bounds leave room for what 60 cases can vary by, no more.
"""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from adapters.evaluation.run import Asked, CaseResult, evaluate_cases
from adapters.rule_files import DEFAULT_RULES

SEED, CASES = 91, 60


@pytest.fixture(scope="module")
def results() -> list[CaseResult]:
    """Cases that no rule was written by."""
    return list(evaluate_cases(Asked(DEFAULT_RULES), SEED, range(CASES), jobs=2))


def _noticed(results: Sequence[CaseResult], side: str) -> float:
    episodes = [one.verdicts[side].episode for one in results]
    due = [episode for episode in episodes if episode is not None]
    assert len(due) >= 30
    return sum(episode.noticed_s is not None for episode in due) / len(due)


def _false_per_hour(results: Sequence[CaseResult], side: str) -> float:
    hours = sum(one.lasts_s for one in results) / 3600.0
    return sum(len(one.verdicts[side].false) for one in results) / hours


@pytest.mark.slow
def test_faults_are_noticed(results: list[CaseResult]) -> None:
    assert _noticed(results, "rules") >= 0.9
    assert _noticed(results, "rules") > _noticed(results, "monitor-limits")


@pytest.mark.slow
def test_four_of_five_false_ones_of_single_limits_are_spared(results: list[CaseResult]) -> None:
    plain = _false_per_hour(results, "monitor-limits")
    assert plain > 2.0
    assert _false_per_hour(results, "rules") <= 0.2 * plain


@pytest.mark.slow
def test_what_is_grave_is_told_at_high_priority(results: list[CaseResult]) -> None:
    grave = [
        one.verdicts["rules"].episode
        for one in results
        if (episode := one.verdicts["rules"].episode) is not None and episode.grave
    ]
    assert len(grave) >= 8
    missed = [episode for episode in grave if episode is None or episode.urgent_s is None]
    assert len(missed) <= 1
