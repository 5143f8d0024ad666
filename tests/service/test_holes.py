"""What was not watched cannot be said not to have happened: holes in a signal.

Worked by hand; there is no outside source for this bookkeeping.
"""

from __future__ import annotations

import pytest

from service.signals.holes import HOLE_S, KEPT_S, Holes

ONE = (0.0, 1.0, 2.0)


def _after(*blocks: tuple[float, float], lost: tuple[float, float] | None = None) -> Holes:
    holes, before_s = Holes(), None
    for start_s, end_s in blocks:
        values = (None, None, None) if (start_s, end_s) == lost else ONE
        holes.take(before_s, start_s, end_s, values)
        before_s = end_s
    return holes


def test_an_unbroken_signal_was_watched_all_the_time() -> None:
    holes = _after((0.0, 1.0), (1.0, 2.0), (2.0, 3.0))
    assert holes.watched_s(0.5, 3.0) == pytest.approx(2.5)


def test_what_is_missing_between_two_blocks_was_not_watched() -> None:
    holes = _after((0.0, 1.0), (31.0, 32.0))
    assert holes.watched_s(0.0, 32.0) == pytest.approx(2.0)
    # Only the part of the hole that lies in the time asked for.
    assert holes.watched_s(20.0, 32.0) == pytest.approx(1.0)
    assert holes.watched_s(31.5, 32.0) == pytest.approx(0.5)


def test_one_lost_block_takes_only_its_own_time() -> None:
    holes = _after((0.0, 1.0), (2.0, 3.0), (3.0, 25.0))
    assert holes.watched_s(0.0, 25.0) == pytest.approx(24.0)


def test_a_block_of_lost_samples_was_not_watched_either() -> None:
    holes = _after((0.0, 1.0), (1.0, 2.0), (2.0, 3.0), lost=(1.0, 2.0))
    assert holes.watched_s(0.0, 3.0) == pytest.approx(2.0)


def test_the_step_between_two_samples_is_no_hole() -> None:
    holes = _after((0.0, 1.0), (1.0 + HOLE_S, 2.0))
    assert holes.unbroken_for_s(2.0) == pytest.approx(2.0)


def test_after_a_clock_set_back_old_holes_mean_nothing() -> None:
    holes = _after((0.0, 1.0), (31.0, 32.0), (10.0, 11.0))
    # What it now calls 5 to 10 s was not watched: only the last block was.
    assert holes.watched_s(5.0, 11.0) == pytest.approx(1.0)


def test_nothing_was_watched_before_the_first_block() -> None:
    assert _after((100.0, 101.0)).watched_s(40.0, 101.0) == pytest.approx(1.0)


def test_old_holes_are_forgotten() -> None:
    holes = _after((0.0, 1.0), (5.0, 6.0), (6.0, 7.0 + KEPT_S), (7.0 + KEPT_S, 8.0 + KEPT_S))
    assert len(holes.found) == 1


def test_since_the_last_hole_it_came_unbroken() -> None:
    assert Holes().unbroken_for_s(10.0) == 0.0
    holes = _after((100.0, 101.0), (101.0, 102.0))
    assert holes.unbroken_for_s(102.0) == pytest.approx(2.0)
    # Until the next block comes, time goes on; a moment before is never below nothing.
    assert holes.unbroken_for_s(103.5) == pytest.approx(3.5)
    assert holes.unbroken_for_s(99.0) == 0.0
    assert _after((0.0, 9.0), (12.0, 13.0)).unbroken_for_s(13.0) == pytest.approx(1.0)
    assert _after((0.0, 9.0), (9.0, 9.5), lost=(9.0, 9.5)).unbroken_for_s(9.5) == 0.0
    # A clock that was set back is a hole as well.
    assert _after((50.0, 60.0), (20.0, 21.0)).unbroken_for_s(21.0) == pytest.approx(1.0)


def test_however_old_the_last_hole_is_known() -> None:
    blocks = [(float(n), float(n + 1)) for n in range(round(KEPT_S) + 100)]
    holes = _after(*blocks)
    assert holes.unbroken_for_s(blocks[-1][1]) == pytest.approx(blocks[-1][1])


def test_it_was_there_in_stretches() -> None:
    holes = _after((0.0, 4.0), (5.0, 8.0), (9.5, 12.0))
    assert holes.stretches_s(1.0, 12.0) == pytest.approx([3.0, 3.0, 2.5])
    assert holes.stretches_s(4.5, 12.0) == pytest.approx([0.0, 3.0, 2.5])
    assert holes.stretches_s(10.0, 12.0) == pytest.approx([2.0])


def test_a_sensor_that_is_off_is_one_hole() -> None:
    holes = _after((0.0, 1.0))
    for n in range(1, 400):
        holes.take(float(n), float(n), n + 1.0, (None, None))
    assert len(holes.found) <= 2
    assert holes.watched_s(0.0, 400.0) == pytest.approx(1.0)
