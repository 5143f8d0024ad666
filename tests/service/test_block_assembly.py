"""Blocks of a waveform come out in order, whatever order they came in and whichever were lost."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.signals.assembly import BACKWARDS_S, HOLD_MS, JITTER_S, Assembler, Block, Piece

RATE_HZ = 100.0
SIZE = 50
BLOCK_S = SIZE / RATE_HZ
#: Any device time; a block every half second.
BEGIN_S = 1_795_611_600.0


def block(number: int, received_ms: int = 0, shift_s: float = 0.0) -> Block:
    """Block `number` of a stream; every sample tells its own place."""
    samples: list[float | None] = [float(SIZE * number + at) for at in range(SIZE)]
    start_s = BEGIN_S + BLOCK_S * number + shift_s
    return Block(start_s, RATE_HZ, samples, received_ms, f"d:e:{number}")


def numbers(pieces: list[Piece]) -> list[int]:
    """Which blocks the pieces are."""
    return [int(piece.block.reference.rpartition(":")[2]) for piece in pieces]


def test_blocks_in_order_pass_at_once() -> None:
    assembler = Assembler()
    for number in range(5):
        assert numbers(assembler.add(block(number))) == [number]
    assert assembler.next_due_ms() is None


def test_an_early_block_waits_for_its_predecessor() -> None:
    assembler = Assembler()
    assembler.add(block(0))
    assert assembler.add(block(2)) == []
    pieces = assembler.add(block(1))
    assert numbers(pieces) == [1, 2]
    assert [piece.gap_s for piece in pieces] == [0.0, 0.0]
    assert assembler.gaps == 0


def test_a_gap_is_declared_after_the_hold_and_not_before() -> None:
    assembler = Assembler()
    assembler.add(block(0, 1000))
    assembler.add(block(2, 2000))
    assert assembler.next_due_ms() == 2000 + HOLD_MS
    assert assembler.due(2000 + HOLD_MS - 1) == []
    (piece,) = assembler.due(2000 + HOLD_MS)
    assert numbers([piece]) == [2]
    assert piece.gap_s == pytest.approx(BLOCK_S)
    assert assembler.gaps == 1
    assert assembler.next_due_ms() is None


def test_one_gap_lets_all_that_joins_behind_it_through() -> None:
    assembler = Assembler()
    assembler.add(block(0, 0))
    for number in (2, 3, 5):
        assert assembler.add(block(number, 100 * number)) == []
    pieces = assembler.due(200 + HOLD_MS)
    assert numbers(pieces) == [2, 3]
    assert numbers(assembler.due(500 + HOLD_MS)) == [5]
    assert assembler.gaps == 2


def test_a_block_that_comes_after_its_gap_was_declared_is_dropped_and_counted() -> None:
    assembler = Assembler()
    assembler.add(block(0, 0))
    assembler.add(block(2, 0))
    assembler.due(HOLD_MS)
    assert assembler.add(block(1, HOLD_MS + 1)) == []
    assert assembler.late_blocks == 1
    assert numbers(assembler.add(block(3, HOLD_MS + 2))) == [3]


@pytest.mark.parametrize("shift_s", [-JITTER_S, -0.004, 0.004, JITTER_S])
def test_a_small_correction_of_the_clock_opens_no_gap(shift_s: float) -> None:
    assembler = Assembler()
    assembler.add(block(0))
    (piece,) = assembler.add(block(1, shift_s=shift_s))
    assert piece.gap_s == 0.0
    assert assembler.gaps == 0


def test_a_clock_set_back_far_starts_a_new_run() -> None:
    assembler = Assembler()
    for number in range(20):
        assembler.add(block(number))
    back_s = -3600.0
    assert back_s < -BACKWARDS_S
    for number in range(20, 25):
        pieces = assembler.add(block(number, shift_s=back_s))
        assert numbers(pieces) == [number]
        assert pieces[0].gap_s == 0.0
    assert assembler.late_blocks == 0


def test_a_block_just_behind_is_late_and_no_new_run() -> None:
    assembler = Assembler()
    for number in (0, 1, 2, 3, 12):
        assembler.add(block(number))
    assembler.due(10_000)
    # It ends 4 s before the last one: well within what a network may do.
    assert BACKWARDS_S > 4.0
    assert assembler.add(block(4)) == []
    assert assembler.late_blocks == 1


def test_a_clock_set_forward_is_a_gap_and_then_goes_on() -> None:
    assembler = Assembler()
    assembler.add(block(0, 0))
    assert assembler.add(block(1, 500, shift_s=3600.0)) == []
    (piece,) = assembler.due(500 + HOLD_MS)
    assert piece.gap_s == pytest.approx(3600.0)
    assert numbers(assembler.add(block(2, 1000, shift_s=3600.0))) == [2]


@settings(max_examples=200)
@given(order=st.permutations(range(8)), lost=st.sets(st.integers(0, 7)))
def test_any_order_and_any_loss(order: list[int], lost: set[int]) -> None:
    """All within the hold: what comes out is sorted, complete, and each hole is one gap."""
    assembler = Assembler()
    arriving = [0, *(number + 1 for number in order if number not in lost)]
    pieces: list[Piece] = []
    for received_ms, number in enumerate(arriving):
        pieces += assembler.add(block(number, received_ms))
    pieces += assembler.due(len(arriving) + HOLD_MS)
    assert numbers(pieces) == sorted(arriving)
    holes = [BLOCK_S * (after - before - 1) for before, after in pairwise(sorted(arriving))]
    assert [piece.gap_s for piece in pieces[1:]] == pytest.approx(holes)
    assert assembler.gaps == sum(hole > 0.0 for hole in holes)
    assert assembler.late_blocks == 0


@settings(max_examples=200)
@given(
    arriving=st.lists(st.tuples(st.integers(0, 40), st.integers(0, 300)), max_size=40),
)
def test_time_runs_back_by_less_than_a_block_or_starts_a_new_run(
    arriving: list[tuple[int, int]],
) -> None:
    assembler, now_ms = Assembler(), 0
    pieces: list[Piece] = []
    for number, pause_ms in arriving:
        now_ms += pause_ms
        ready = [*assembler.add(block(number, now_ms)), *assembler.due(now_ms)]
        pieces += ready
        assert all(w.received_ms > now_ms - HOLD_MS for w in assembler.waiting[:1])
    starts = [piece.block.start_s for piece in pieces]
    for before, after in pairwise(starts):
        # A clock that goes back by less than a block is not worth losing a block for.
        back_s = before - after
        assert back_s < BLOCK_S or back_s >= BACKWARDS_S - BLOCK_S


def test_blocks_of_a_low_rate_join_within_one_and_a_half_samples() -> None:
    # 5 Hz: the time between two samples is itself far over the jitter allowed.
    assembler = Assembler()
    assembler.add(Block(BEGIN_S, 5.0, [1.0] * 5, 0, "d:e:0"))
    (piece,) = assembler.add(Block(BEGIN_S + 1.25, 5.0, [1.0] * 5, 0, "d:e:1"))
    assert piece.gap_s == 0.0
