"""A million random moments: both engines give the oracle's answer for every one, and nothing grows.

A quarter of them, unless the whole is asked for (sizes.py). The oracle works in columns
(columns.py), and a sample of it is held against the one that walks the tree as written
(oracle.py). Rule sets are random ones and the newest of the library.
"""

from __future__ import annotations

import multiprocessing
import sys
from concurrent.futures import ProcessPoolExecutor

import pytest
from million import CHUNK, ORACLE_EVERY, TRAPS, Plan, Report, run
from sizes import share_of

MOMENTS = share_of(1_000_000, 4)
MAY_GROW_BYTES = 2_000_000
"""For one rule set over its 20 000 moments or more. One state that durable-rules keeps is
800 000 bytes, one snapshot left behind about 2 000: forty million or more in all."""


def _plans(first_seed: int) -> list[Plan]:
    sizes = (5, 15, 20, 35, 15)
    random = [
        Plan(first_seed + number, rules, share_of(80_000, 4), first_seed * 1000 + number)
        for number, rules in enumerate(sizes)
    ]
    return [*random, Plan(None, 0, share_of(100_000, 4), first_seed)]


@pytest.fixture(scope="module")
def reports(durable: None) -> list[Report]:
    """Two processes, half of the moments each. They start afresh: their memory is their own."""
    fresh = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(2, mp_context=fresh) as pool:
        return list(pool.map(run, [_plans(20261125), _plans(31)]))


pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc"),
]


def test_both_engines_agree_with_the_oracle_on_every_moment(reports: list[Report]) -> None:
    assert sum(report.moments for report in reports) == MOMENTS
    assert [report.differences[:3] for report in reports] == [[], []]
    assert sum(report.by_hand for report in reports) == MOMENTS // CHUNK * (CHUNK // ORACLE_EVERY)


def test_the_moments_are_worth_evaluating(reports: list[Report]) -> None:
    """Nearly every condition holds in some moments and fails in others, and every trap is met."""
    for report in reports:
        assert report.keys > 300
        assert report.changing > 0.85 * report.keys
        assert min(report.traps[trap] for trap in (*TRAPS, "absent limit")) > MOMENTS // 1000


def test_nothing_is_left_behind_and_memory_does_not_grow(reports: list[Report]) -> None:
    assert [report.left_behind for report in reports] == [0, 0]
    grown = [grown for report in reports for grown in report.grown_bytes]
    assert max(grown) < MAY_GROW_BYTES, f"grown by {grown} bytes"
