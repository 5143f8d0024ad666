"""The broker is killed and started again under a running service."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from end_to_end.clients import Observer, Publisher, wait_for
from end_to_end.hand_written import HandDevice, quantity
from end_to_end.mosquitto import Mosquitto
from end_to_end.service_process import ServiceProcess
from end_to_end.store_facts import StoreFacts, canonical

pytestmark = pytest.mark.alone

PLACES = 40
KILL_S = 8.0
DOWN_S = 1.0
SECONDS = 14.0
#: The broker saves every two seconds; what it acknowledged since may be lost with it, nothing else.
UNSAVED_S = 2.5
ADVISORIES = "tidewarden/1/+/+/advisory"


def _ward(publisher: Publisher, broker: Mosquitto) -> tuple[float, float]:
    """All places send numerics every second, and one after the other plans a journey that gives
    an advisory 5 s later: so some are raised in the second before the broker dies.

    When it was killed, and when it was started again: what is acknowledged between was so by the
    broker that died.
    """
    devices = [HandDevice(publisher, f"hand/bay-{number}") for number in range(PLACES)]
    began = time.monotonic()
    killed = back = None
    for tick in range(round(SECONDS * PLACES)):
        time.sleep(max(0.0, began + tick / PLACES - time.monotonic()))
        since_s = time.monotonic() - began
        devices[tick % PLACES].send("numerics", values={"etco2": quantity(40, "mm[Hg]")})
        if tick % 4 == 0 and tick // 4 < PLACES:
            devices[tick // 4].plan_a_journey_on_a_weak_battery()
        if killed is None and since_s >= KILL_S:
            killed = time.monotonic()
            broker.kill()
        if killed is not None and back is None and since_s >= KILL_S + DOWN_S:
            back = time.monotonic()
            broker.start_again()
    assert killed is not None
    assert back is not None
    return killed, back


def test_a_killed_broker_loses_nothing_it_had_saved(mosquitto, tmp_path: Path) -> None:
    broker = mosquitto(tmp_path / "broker")
    service = ServiceProcess(tmp_path / "service", broker.port)
    service.start()
    # An observer that is away: all that is for it waits at the broker.
    Observer(broker.port, [ADVISORIES], "away", lasting=True).close()
    with Publisher(broker.port, "ward") as publisher:
        killed, back = _ward(publisher, broker)
        publisher.settle()
        kept_at = publisher.acknowledged()
    store = StoreFacts(service.store)
    wait_for(lambda: store.count("outbox") == 0, 10, "the outbox empties")
    messages = store.messages()
    lost = set(kept_at) - set(messages)
    with Observer(broker.port, [ADVISORIES], "away", lasting=True) as again:
        events = {canonical(body) for body in store.events()}
        wait_for(
            lambda: events <= {canonical(m.body) for m in again.received}, 10, "every advisory"
        )
        late = Observer(broker.port, ["tidewarden/1/hand/+/standing"], "late")
        wait_for(lambda: len(late.received) == PLACES, 10, "what stands, for each place")
        late.close()
    assert service.terminate()[0] == 0

    print(f"\n{len(kept_at)} messages acknowledged, {len(lost)} of them lost with the broker")
    assert len(messages) == len(set(messages))
    assert store.problems() == []
    assert all(killed - UNSAVED_S < kept_at[key] < back for key in lost)
    assert len(events) >= PLACES
    stands = {a["id"] for m in late.received for a in m.body["standing"]}
    journeys = store.rows("select id from advisories where rule = 'journey-battery-short'")
    assert len(journeys) == PLACES
    assert {identity for (identity,) in journeys} <= stands
