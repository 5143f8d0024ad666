"""Nothing is acknowledged or published before it is kept; what fails to be kept is neither."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import pytest
from service_bench import START_MS, arrival, cycle_end, new_watch, raw

from service.cycle import Cycle
from service.intake import Arrival
from service.ports import Batch, Posting
from service.watch import Outcome


@dataclass
class World:
    """Inbox, store and publisher in one, that notes what was asked of it and in what order."""

    waiting: list[Arrival] = field(default_factory=list)
    done: list[str] = field(default_factory=list)
    acknowledged: list[object] = field(default_factory=list)
    committed: list[Outcome] = field(default_factory=list)
    checkpoints: list[bytes] = field(default_factory=list)
    gone: list[int] = field(default_factory=list)
    posted: list[Posting] = field(default_factory=list)
    delivered: list[int] = field(default_factory=list)
    now_ms: int = START_MS
    broken: bool = False

    def drain(self) -> Batch:
        arrivals, self.waiting = self.waiting, []
        self.done.append("drain")
        return Batch(arrivals, [f"receipt {n}" for n in range(len(arrivals))], self.now_ms)

    def acknowledge(self, receipts: Sequence[object]) -> None:
        self.done.append("acknowledge")
        self.acknowledged += receipts

    def commit(
        self, outcome: Outcome, sent: Iterable[int], checkpoint: bytes | None
    ) -> list[Posting]:
        if self.broken:
            raise OSError("disk full")
        self.done.append("commit")
        self.committed.append(outcome)
        self.gone += sent
        if checkpoint is not None:
            self.checkpoints.append(checkpoint)
        first = len(self.posted) + 1
        return [
            Posting(first + at, m.topic, m.payload, m.retain) for at, m in enumerate(outcome.outbox)
        ]

    def post(self, postings: Sequence[Posting]) -> None:
        self.done.append("post")
        self.posted += postings

    def sent(self) -> list[int]:
        delivered, self.delivered = self.delivered, []
        return delivered

    def tell(self, topic: str, payload: bytes) -> None:
        self.done.append("tell")


def _cycle(world: World) -> Cycle:
    return Cycle(new_watch(), world, world, world, checkpoint_every_ms=10_000)


def test_kept_then_published_and_acknowledged() -> None:
    world = World(waiting=[arrival("numerics", 1), raw(b"nonsense")])
    world.now_ms = cycle_end(START_MS)
    _cycle(world).run_once()
    assert world.done == ["drain", "commit", "post", "acknowledge"]
    assert world.acknowledged == ["receipt 0", "receipt 1"]
    posted = [posting.topic.rpartition("/")[2] for posting in world.posted]
    assert posted == ["rejected", "usual"]


def test_what_could_not_be_kept_is_not_acknowledged() -> None:
    world = World(waiting=[arrival("numerics", 1)], broken=True)
    world.now_ms = cycle_end(START_MS)
    with pytest.raises(OSError, match="disk full"):
        _cycle(world).run_once()
    assert world.acknowledged == world.posted == []


def test_a_repeat_is_acknowledged_without_being_kept_again() -> None:
    world = World()
    cycle = _cycle(world)
    for after_s in (0.0, 0.1):
        world.waiting, world.now_ms = [arrival("numerics", 1, after_s)], START_MS + 200
        cycle.run_once()
    assert len(world.acknowledged) == 2
    assert sum(len(outcome.accepted) for outcome in world.committed) == 1
    assert cycle.totals.repeats == 1


def test_what_the_broker_took_leaves_with_the_next_commit() -> None:
    world = World()
    cycle = _cycle(world)
    world.delivered = [3, 4]
    world.now_ms = START_MS + 100
    cycle.run_once()
    assert world.gone == [3, 4]


def test_a_quiet_turn_writes_nothing() -> None:
    world = World()
    cycle = _cycle(world)
    cycle.run_once()
    world.committed.clear()
    for _ in range(20):
        world.now_ms += 50
        cycle.run_once()
    assert world.committed == []


def test_the_state_is_written_down_now_and_then_and_at_the_end() -> None:
    world = World()
    watch = new_watch()
    watch.step([], START_MS)
    cycle = Cycle(watch, world, world, world, checkpoint_every_ms=10_000)
    for second in range(1, 26):
        world.waiting = [arrival("numerics", second, second - 0.5)]
        world.now_ms = START_MS + 1000 * second
        cycle.run_once()
    assert len(world.checkpoints) == 2
    cycle.close()
    assert world.checkpoints[-1] == watch.checkpoint()
    assert cycle.totals.accepted == 25
