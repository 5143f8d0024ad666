"""How a waveform has been watched: what was lost, and since when it has not moved."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.signals.watched import KEPT_BLOCKS_S, Watched

RATE_HZ = 50
MOVING = [0.02 * (n % 3) for n in range(25)]
OFF = [None] * 25


def send(watched: Watched, start_s: float, samples: list[float | None] | list[float]) -> float:
    """One block; where it ends."""
    end_s = start_s + len(samples) / RATE_HZ
    watched.take(end_s, [(start_s + n / RATE_HZ, value) for n, value in enumerate(samples)])
    return end_s


def run(watched: Watched, start_s: float, blocks: int) -> float:
    """Blocks of half a second that move; where the last one ends."""
    for _ in range(blocks):
        start_s = send(watched, start_s, MOVING)
    return start_s


def test_before_anything_came_nothing_is_watched() -> None:
    watched = Watched()
    assert watched.still_for_s(10.0) is None
    assert watched.counts(10.0, 10.0) == (0, 0)


def test_time_before_it_was_watched_is_none() -> None:
    """What is asked of a moment before the last block, as after late blocks, is never below 0."""
    watched = Watched()
    send(watched, 100.0, [0.3] * 25)
    assert watched.still_for_s(99.0) == 0.0


def test_samples_and_lost_ones_of_the_last_seconds() -> None:
    watched = Watched()
    end_s = send(watched, run(watched, 100.0, 20), [0.0, None, None, *MOVING[3:]])
    assert watched.counts(end_s, 1.0) == (50, 2)
    assert watched.counts(end_s, 5.0) == (250, 2)
    assert watched.counts(end_s + 5.0, 5.0) == (0, 0)


def test_no_more_blocks_are_kept_than_are_asked_for() -> None:
    watched = Watched()
    run(watched, 100.0, 200)
    assert len(watched.blocks) <= KEPT_BLOCKS_S * RATE_HZ / len(MOVING) + 1


def test_a_value_stands_still_since_the_first_sample_that_shows_it() -> None:
    watched = Watched()
    end_s = send(watched, run(watched, 100.0, 2), [0.1] * 5 + [0.37] * 20)
    assert watched.still_for_s(end_s) == pytest.approx(0.4)
    end_s = send(watched, end_s, [0.37] * 25)
    assert watched.still_for_s(end_s) == pytest.approx(0.9)
    end_s = send(watched, end_s, [0.37] * 24 + [0.38])
    assert watched.still_for_s(end_s) == pytest.approx(1.0 / RATE_HZ)


def test_another_value_that_stands_still_is_another() -> None:
    watched = Watched()
    end_s = send(watched, send(watched, 100.0, [0.37] * 25), [0.38] * 25)
    assert watched.still_for_s(end_s) == pytest.approx(0.5)


def test_lost_samples_move_nothing() -> None:
    watched = Watched()
    end_s = send(watched, 100.0, [0.37] * 25)
    end_s = send(watched, end_s, OFF)
    end_s = send(watched, end_s, [None, 0.37] * 12)
    assert watched.still_for_s(end_s) == pytest.approx(end_s - 100.0)


@settings(max_examples=60)
@given(
    values=st.lists(st.sampled_from([None, 0.1, 0.2]), min_size=1, max_size=80),
    cuts=st.sets(st.integers(1, 79)),
)
def test_stillness_does_not_depend_on_how_it_was_cut(
    values: list[float | None], cuts: set[int]
) -> None:
    whole, cut = Watched(), Watched()
    end_s = send(whole, 100.0, values)
    edges = [0, *sorted(edge for edge in cuts if edge < len(values)), len(values)]
    for begin, end in pairwise(edges):
        send(cut, 100.0 + begin / RATE_HZ, values[begin:end])
    assert cut.still_at == whole.still_at
    assert cut.still_for_s(end_s) == pytest.approx(whole.still_for_s(end_s))
