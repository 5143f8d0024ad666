"""A breath can come to light in a cycle in which nothing arrives; it is kept all the same."""

from __future__ import annotations

import json

from service_bench import cycle_end, hospital_minute, new_watch

from service.intake import Arrival
from service.watch import CYCLE_MS


def _without_some_pressure(sent: tuple[Arrival, ...]) -> list[Arrival]:
    """Every seventh block of airway pressure is lost: the next one waits for it."""
    blocks = [a for a in sent if json.loads(a.payload).get("channel") == "paw"]
    lost = set(blocks[3::7])
    return [a for a in sent if a not in lost]


def test_what_waited_for_a_lost_block_is_kept() -> None:
    watch, waiting = new_watch(), _without_some_pressure(hospital_minute(places=2))
    end_ms, last_ms = cycle_end(waiting[0].received_ms), cycle_end(waiting[-1].received_ms)
    quiet = 0
    while end_ms <= last_ms:
        due = [a for a in waiting if a.received_ms < end_ms]
        waiting = waiting[len(due) :]
        outcome = watch.step(due, end_ms)
        if outcome.breaths or outcome.co2_breaths:
            assert not outcome.is_empty()
            quiet += not (outcome.accepted or outcome.events or outcome.findings)
        end_ms += CYCLE_MS
    assert quiet >= 3, "breaths must have come to light in cycles without arrivals"
