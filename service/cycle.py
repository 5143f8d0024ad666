"""The loop of a live service: drain, decide, keep in one transaction, then acknowledge and publish.

Nothing is acknowledged or published before it is kept. So a reading is either still with the
broker or in the store, and an advisory that was decided is published at least once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from service.ports import Inbox, Publisher, Store
from service.watch import Outcome, Watch

#: Often, since a start after a kill works through what came after the last one.
CHECKPOINT_EVERY_MS: Final = 10_000


@dataclass(slots=True)
class Totals:
    """What a running service has done since its start."""

    cycles: int = 0
    accepted: int = 0
    refused: int = 0
    repeats: int = 0
    evaluations: int = 0
    events: int = 0
    failed: int = 0


class Cycle:
    """Runs a watch against the world through its ports."""

    def __init__(
        self,
        watch: Watch,
        inbox: Inbox,
        store: Store,
        publisher: Publisher,
        *,
        checkpoint_every_ms: int = CHECKPOINT_EVERY_MS,
    ) -> None:
        self._watch = watch
        self._inbox = inbox
        self._store = store
        self._publisher = publisher
        self._checkpoint_every_ms = checkpoint_every_ms
        self._next_checkpoint_ms = watch.state.reached_ms + checkpoint_every_ms
        self.totals = Totals()

    def run_once(self) -> Outcome:
        """One turn: everything received so far, which may be several cycles."""
        batch = self._inbox.drain()
        outcome = self._watch.step(batch.arrivals, batch.closed_until_ms)
        sent = self._publisher.sent()
        checkpoint = self._due_checkpoint(outcome.reached_ms)
        if sent or checkpoint is not None or not outcome.is_empty():
            postings = self._store.commit(outcome, sent, checkpoint)
            self._publisher.post(postings)
        self._inbox.acknowledge(batch.receipts)
        for message in outcome.derived:
            self._publisher.tell(message.topic, message.payload)
        self._count(outcome)
        return outcome

    def close(self) -> None:
        """Keep the state and what the broker has acknowledged, before an orderly end."""
        outcome = Outcome(reached_ms=self._watch.state.reached_ms)
        self._store.commit(outcome, self._publisher.sent(), self._watch.checkpoint())

    def _due_checkpoint(self, reached_ms: int) -> bytes | None:
        if reached_ms < self._next_checkpoint_ms:
            return None
        self._next_checkpoint_ms = reached_ms + self._checkpoint_every_ms
        return self._watch.checkpoint()

    def _count(self, outcome: Outcome) -> None:
        self.totals.cycles += 1
        self.totals.accepted += len(outcome.accepted)
        self.totals.refused += len(outcome.refused)
        self.totals.repeats += outcome.repeats
        self.totals.evaluations += outcome.evaluations
        self.totals.events += len(outcome.events)
        self.totals.failed += len(outcome.failed)
