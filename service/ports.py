"""What the service needs of the world, as protocols. Adapters provide them; tests fake them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol

from service.intake import Arrival
from service.watch import Outcome


@dataclass(frozen=True, slots=True)
class Batch:
    """Arrivals in order of receipt, all of them received before `closed_until_ms`.

    `receipts` are handed back to `Inbox.acknowledge` once the arrivals are safe.
    """

    arrivals: Sequence[Arrival]
    receipts: Sequence[object]
    closed_until_ms: int


@dataclass(frozen=True, slots=True)
class Posting:
    """One message of the outbox: published until the broker acknowledges it."""

    number: int
    topic: str
    payload: bytes
    retain: bool


class Inbox(Protocol):
    """Where arrivals come from."""

    def drain(self) -> Batch:
        """Everything received so far."""

    def acknowledge(self, receipts: Sequence[object]) -> None:
        """Tell the sender that these are safe; only ever called after the commit."""


class Store(Protocol):
    """Where everything is kept. One `commit` is one transaction."""

    def commit(
        self, outcome: Outcome, sent: Iterable[int], checkpoint: bytes | None
    ) -> list[Posting]:
        """Keep the outcome, drop sent postings, keep the checkpoint; returns the new postings."""


class Publisher(Protocol):
    """Where messages go."""

    def post(self, postings: Sequence[Posting]) -> None:
        """Publish with acknowledgement; numbers come back through `sent`."""

    def sent(self) -> list[int]:
        """Postings the broker acknowledged since the last call."""

    def tell(self, topic: str, payload: bytes) -> None:
        """Publish once, without acknowledgement."""


class Clock(Protocol):
    """The time of receipt: milliseconds since 1970, UTC."""

    def now_ms(self) -> int: ...
