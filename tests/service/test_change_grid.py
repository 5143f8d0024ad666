"""Causes of change over the grid of simulated animals: right, and never wrong and sure.

Faults that change Ti by 13 % or more; changes that the team makes have to be told as none.
"""

from __future__ import annotations

from collections import Counter

import pytest
from grid_scores import FAULTS, ChangeScore, in_processes, score_change

CASES = 640
SURE = 0.9

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def scores() -> list[ChangeScore]:
    return [one for scored in in_processes(score_change, range(CASES)) for one in scored]


@pytest.mark.parametrize("known", [False, True])
def test_cause_of_change(scores: list[ChangeScore], known: bool) -> None:
    part = [score for score in scores if score.known == known]
    assert len(part) > 0.9 * CASES
    print(f"\nflow and circuit {'known' if known else 'not known'}: {len(part)} changes")
    for fault in FAULTS:
        told = Counter(
            f"{one.cause}{'' if one.confidence >= SURE else ' ?'}"
            for one in part
            if one.fault == fault
        )
        print(f"{fault:12}" + ", ".join(f"{cause} {n}" for cause, n in told.most_common()))
    right = [one for one in part if one.cause == one.expected]
    sure_and_wrong = [
        one
        for one in part
        if one.cause not in (one.expected, "none", "unclear") and one.confidence >= SURE
    ]
    assert len(right) >= 0.90 * len(part)
    assert len(sure_and_wrong) <= 0.02 * len(part)


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_is_told(scores: list[ChangeScore], fault: str) -> None:
    part = [score for score in scores if score.fault == fault]
    right = [one for one in part if one.cause == one.expected]
    assert len(right) >= 0.85 * len(part)


@pytest.mark.parametrize("fault", ["flow", "target", "te", "none"])
def test_what_the_team_does_is_no_change_of_the_patient(
    scores: list[ChangeScore], fault: str
) -> None:
    part = [score for score in scores if score.fault == fault]
    wrong = [one for one in part if one.cause not in ("none", "no baseline")]
    assert len(wrong) <= 0.02 * len(part)
