"""Repeats, gaps and late messages against a model that keeps every number ever seen."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from hypothesis import given, settings
from hypothesis import strategies as st

from service.sequences import MAX_EPOCHS, MAX_INTERVALS, DeviceSequences, Verdict


@dataclass
class ModelEpoch:
    """Every number seen; the live ones (not retained) decide about order and gaps."""

    seen: set[int] = field(default_factory=set)
    live: set[int] = field(default_factory=set)

    def missing(self) -> int:
        """Numbers between the first and the last live one that never came."""
        if not self.live:
            return 0
        return len(set(range(min(self.live), max(self.live))) - self.seen)


class Model:
    """What `DeviceSequences` should say, without any cleverness."""

    def __init__(self) -> None:
        self.epochs: dict[str, ModelEpoch] = {}

    def judge(self, name: str, seq: int, *, retained: bool) -> tuple[bool, bool, int, bool]:
        """Repeat, late, change of what is missing, restarted."""
        restarted = name not in self.epochs and bool(self.epochs)
        epoch = self.epochs.setdefault(name, ModelEpoch())
        if seq in epoch.seen:
            return True, False, 0, False
        before = epoch.missing()
        late = not retained and bool(epoch.live) and seq < max(epoch.live)
        epoch.seen.add(seq)
        if not retained and not late:
            epoch.live.add(seq)
        return False, late, epoch.missing() - before, restarted


Number = tuple[str, int, bool]
STREAM = st.lists(
    st.tuples(
        st.sampled_from(["e1", "e2", "e3"]),
        st.integers(0, 30),
        st.sampled_from([False, False, False, True]),
    ),
    max_size=80,
)


def _verdicts(stream: list[Number]) -> Iterator[tuple[Verdict, tuple[bool, bool, int, bool]]]:
    device, model = DeviceSequences(), Model()
    for name, seq, retained in stream:
        said = device.judge(name, seq, retained=retained)
        yield said, model.judge(name, seq, retained=retained)


@settings(max_examples=300)
@given(STREAM)
def test_each_verdict_is_that_of_the_model(stream: list[Number]) -> None:
    for said, (repeat, late, missing, restarted) in _verdicts(stream):
        assert (said.repeat, said.late, said.restarted) == (repeat, late, restarted)
        assert said.newly_missing == missing


@settings(max_examples=300)
@given(STREAM)
def test_totals_are_those_of_the_model(stream: list[Number]) -> None:
    device, model = DeviceSequences(), Model()
    repeats = late = restarts = 0
    for name, seq, retained in stream:
        device.judge(name, seq, retained=retained)
        verdict = model.judge(name, seq, retained=retained)
        repeats, late, restarts = repeats + verdict[0], late + verdict[1], restarts + verdict[3]
    assert (device.repeats, device.late, device.restarts) == (repeats, late, restarts)
    assert device.received == len(stream) - repeats
    assert device.missing == sum(epoch.missing() for epoch in model.epochs.values())


def _judged(*numbers: int, device: DeviceSequences | None = None) -> list[Verdict]:
    device = device or DeviceSequences()
    return [device.judge("e", seq, retained=False) for seq in numbers]


def test_a_gap_and_what_comes_late_for_it() -> None:
    device = DeviceSequences()
    assert _judged(1, 2, 6, device=device)[-1] == Verdict(newly_missing=3)
    assert device.missing == 3
    assert _judged(4, device=device) == [Verdict(late=True, newly_missing=-1)]
    assert device.missing == 2
    assert _judged(4, device=device) == [Verdict(repeat=True)]


def test_the_first_number_opens_no_gap() -> None:
    # The service may have been started long after the device.
    assert _judged(5000) == [Verdict()]


def test_what_was_never_missed_does_not_make_up_for_a_loss() -> None:
    device = DeviceSequences()
    _judged(10, 7, 8, 9, 14, device=device)
    assert device.missing == 3


def test_a_restart_starts_counting_anew() -> None:
    device = DeviceSequences()
    _judged(1, 2, 3, device=device)
    assert device.judge("next", 1, retained=False) == Verdict(restarted=True)
    assert device.judge("next", 2, retained=False) == Verdict()
    assert (device.restarts, device.missing) == (1, 0)


def test_retained_messages_open_no_gap_and_are_never_late() -> None:
    device = DeviceSequences()
    assert device.judge("e", 40, retained=True) == Verdict()
    _judged(10, 11, device=device)
    assert device.judge("e", 3, retained=True) == Verdict()
    assert _judged(12, device=device) == [Verdict()]
    assert device.missing == 0
    assert device.judge("e", 3, retained=True).repeat


def test_memory_is_bounded_however_many_are_lost() -> None:
    device = DeviceSequences()
    for number in range(3 * MAX_INTERVALS):
        device.judge("e", 2 * number, retained=False)
    intervals = device.epochs["e"].intervals
    assert len(intervals) <= MAX_INTERVALS
    assert device.missing == 3 * MAX_INTERVALS - 1
    # The oldest holes were given up; a recent one may still be filled.
    assert device.judge("e", 6 * MAX_INTERVALS - 5, retained=False).late
    assert device.judge("e", 1, retained=False).repeat


def test_memory_is_bounded_however_often_a_device_restarts() -> None:
    device = DeviceSequences()
    for number in range(10 * MAX_EPOCHS):
        device.judge(f"e{number}", 1, retained=False)
    assert len(device.epochs) == MAX_EPOCHS
    assert device.restarts == 10 * MAX_EPOCHS - 1


@given(st.lists(st.integers(0, 2**53), max_size=60))
def test_numbers_of_any_size(numbers: list[int]) -> None:
    device, seen = DeviceSequences(), set[int]()
    for seq in numbers:
        assert device.judge("e", seq, retained=False).repeat == (seq in seen)
        seen.add(seq)
    flat = [edge for interval in device.epochs["e"].intervals for edge in interval] if seen else []
    assert flat == sorted(flat)
