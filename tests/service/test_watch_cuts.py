"""The same arrivals give the same bytes, however the work was cut into steps or interrupted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

from advisory_bench import rule, rule_set
from hypothesis import given, settings
from hypothesis import strategies as st
from service_bench import (
    START_MS,
    arrival,
    hospital_minute,
    new_watch,
    payloads,
    quantity,
    raw,
)

from service.intake import Arrival
from service.watch import CYCLE_MS, Outcome, Watch

SECONDS = 62
END_MS = START_MS + 1000 * SECONDS
CYCLES = 1000 * SECONDS // CYCLE_MS


@cache
def _stream() -> tuple[Arrival, ...]:
    """A simulated minute with bad messages, repeats, late ones and a request among it."""
    simulated = list(hospital_minute())
    repeated = [Arrival(a.received_ms + 400, a.topic, a.payload) for a in simulated[300:320]]
    odd = [
        raw(b"nonsense", after_s=7.31),
        arrival("numerics", 1, 9.0, values={"spo2": {"value": 1.0, "unit": "s"}}),
        arrival("request", 2, 45.01, place="recovery/bay-4", device="page", target="0" * 16),
        arrival("request", 3, 45.02, place="recovery/bay-4", device="page", action="sing"),
        *_pauses(),
    ]
    delayed = [
        Arrival(a.received_ms + 700, a.topic, a.payload) if at % 97 == 0 else a
        for at, a in enumerate(simulated)
    ]
    return tuple(sorted([*delayed, *repeated, *odd], key=lambda a: a.received_ms))


def _pauses() -> list[Arrival]:
    """One place is paused until it is over, another is resumed."""
    pause = {"device": "page", "action": "pause", "minutes": 0.2, "reason": "suction"}
    return [
        arrival("request", 4, 39.0, place="recovery/bay-4", **pause),
        arrival("request", 5, 46.0, place="recovery/bay-2", **pause),
        arrival("request", 6, 50.0, place="recovery/bay-2", device="page", action="resume"),
    ]


@dataclass(frozen=True)
class Ran:
    """What came out, as bytes and text."""

    outbox: list[tuple[str, bytes, bool]]
    derived: list[bytes]
    events: str
    breaths: str
    co2_breaths: str
    findings: str
    pauses: str
    counts: tuple[int, int, int, int]
    state: bytes


def _ran(outcomes: Sequence[Outcome], watch: Watch) -> Ran:
    return Ran(
        outbox=payloads(outcomes),
        derived=[m.payload for outcome in outcomes for m in outcome.derived],
        events=repr([event for outcome in outcomes for event in outcome.events]),
        breaths=repr([breath for outcome in outcomes for breath in outcome.breaths]),
        co2_breaths=repr([breath for outcome in outcomes for breath in outcome.co2_breaths]),
        findings=repr([finding for outcome in outcomes for finding in outcome.findings]),
        pauses=repr([pause for outcome in outcomes for pause in outcome.pauses]),
        counts=(
            sum(len(outcome.accepted) for outcome in outcomes),
            sum(len(outcome.refused) for outcome in outcomes),
            sum(outcome.repeats for outcome in outcomes),
            sum(outcome.evaluations for outcome in outcomes),
        ),
        state=watch.checkpoint(),
    )


def _steps(watch: Watch, cuts: Sequence[int], begin_ms: int = START_MS) -> list[Outcome]:
    """Works through the stream from `begin_ms` on, cut at the ends of these cycles."""
    outcomes = []
    ends = [START_MS + CYCLE_MS * cut for cut in cuts if START_MS + CYCLE_MS * cut > begin_ms]
    for end_ms in [*ends, END_MS]:
        part = [a for a in _stream() if begin_ms <= a.received_ms < end_ms]
        outcomes.append(watch.step(part, end_ms))
        begin_ms = end_ms
    return outcomes


@cache
def _whole() -> Ran:
    watch = new_watch()
    return _ran([watch.step(_stream(), END_MS)], watch)


def test_the_stream_is_worth_cutting() -> None:
    whole = _whole()
    accepted, refused, repeats, _ = whole.counts
    assert (refused, repeats) == (2, 20)
    assert accepted == len(_stream()) - 22
    rules = {topic for topic, _, _ in whole.outbox}
    assert "tidewarden/1/recovery/bay-4/advisory" in rules
    assert "tidewarden/1/recovery/bay-4/reply" in rules
    assert len(whole.derived) > 100
    assert [whole.pauses.count(f"kind='{kind}'") for kind in ("paused", "resumed")] == [2, 2]


@settings(max_examples=12)
@given(st.lists(st.integers(1, CYCLES - 1), max_size=40, unique=True).map(sorted))
def test_cut_anywhere_between_cycles(cuts: list[int]) -> None:
    watch = new_watch()
    assert _ran(_steps(watch, cuts), watch) == _whole()


def test_one_cycle_at_a_time() -> None:
    watch = new_watch()
    assert _ran(_steps(watch, range(1, CYCLES)), watch) == _whole()


@settings(max_examples=12)
@given(st.integers(1, CYCLES - 1))
def test_written_down_and_taken_up_in_the_middle(cut: int) -> None:
    first, middle_ms = new_watch(), START_MS + CYCLE_MS * cut
    part = [a for a in _stream() if a.received_ms < middle_ms]
    before = first.step(part, middle_ms)
    written = first.checkpoint()
    second = new_watch()
    second.restore(written)
    assert second.checkpoint() == written
    after = _steps(second, [], begin_ms=middle_ms)
    assert _ran([before, *after], second) == _whole()


def test_looking_more_often_than_needed_changes_nothing() -> None:
    # Steps without arrivals in between, as a live service makes them.
    watch, outcomes = new_watch(), []
    waiting = list(_stream())
    for end_ms in range(START_MS + CYCLE_MS, END_MS + 1, CYCLE_MS):
        part = []
        while waiting and waiting[0].received_ms < end_ms:
            part.append(waiting.pop(0))
        outcomes.append(watch.step(part, end_ms))
        outcomes.append(watch.step([], end_ms))
    assert _ran(outcomes, watch) == _whole()


def test_places_are_worked_on_in_order_of_their_names() -> None:
    # Not in the order of a set, which differs from process to process.
    beds = [f"ward-{letter}/bed-{number}" for letter in "dbca" for number in (3, 1, 2)]
    low = {"spo2": quantity(60.0, "%")}
    arrivals = [
        arrival("numerics", 1, 0.001 * at, place=bed, device=f"monitor-{bed}", values=low)
        for at, bed in enumerate(beds)
    ]
    outcome = new_watch(rule_set(rule())).step(arrivals, START_MS + CYCLE_MS)
    assert [place for place, _, _ in outcome.events] == sorted(beds)
