"""Which devices report for a place, for whom, and how often they started anew."""

from __future__ import annotations

from collections import Counter, deque
from dataclasses import dataclass, field
from typing import Final

#: A device counts as reporting for this long after it was last heard (received time).
HEARD_MS: Final = 60_000
RESTARTS_MS: Final = 600_000
#: More devices than this at one place are remembered no longer than the newest ones.
MOST_DEVICES: Final = 12


@dataclass(slots=True)
class Reporter:
    """One device at a place. `sent_ms`: when it last sent pressure, CO2 or settings, by kind."""

    heard_ms: int
    sent_ms: dict[str, int] = field(default_factory=dict)
    epoch: str = ""
    patient: str | None = None


@dataclass(slots=True)
class Presence:
    """All devices of a place, by name."""

    devices: dict[str, Reporter] = field(default_factory=dict)
    restarts_ms: deque[int] = field(default_factory=deque)

    def hear(self, device: str, epoch: str, received_ms: int, sends: str | None = None) -> Reporter:
        """A message of this device has come; `sends` is what it measures, if it does."""
        reporter = self.devices.pop(device, None)
        if reporter is None:
            reporter = Reporter(received_ms, epoch=epoch)
        elif reporter.epoch != epoch:
            self.restarts_ms.append(received_ms)
        reporter.heard_ms, reporter.epoch = received_ms, epoch
        if sends is not None:
            reporter.sent_ms[sends] = received_ms
        self.devices[device] = reporter
        while len(self.devices) > MOST_DEVICES:
            del self.devices[next(iter(self.devices))]
        while self.restarts_ms and received_ms - self.restarts_ms[0] > RESTARTS_MS:
            self.restarts_ms.popleft()
        return reporter

    def measuring(self, now_ms: int) -> int:
        """How many devices sent one and the same thing of late: pressure, CO2, or settings.

        A capnograph beside a ventilator is one of each.
        """
        late = Counter(
            what
            for reporter in self.devices.values()
            for what, ms in reporter.sent_ms.items()
            if now_ms - ms <= HEARD_MS
        )
        return max(late.values(), default=0)

    def patients(self, now_ms: int) -> int:
        """For how many different patients devices that are heard of late report."""
        late = (r for r in self.devices.values() if now_ms - r.heard_ms <= HEARD_MS)
        return len({r.patient for r in late if r.patient is not None})

    def restarts(self, now_ms: int) -> int:
        """How often a device began to count anew in the last ten minutes."""
        return sum(1 for ms in self.restarts_ms if now_ms - ms <= RESTARTS_MS)
