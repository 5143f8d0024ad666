"""Two hundred places at real-life rates, a real broker, and a service that is killed twice.

That nothing is lost must not hang on how fast a machine is: a slow one is given as many places as
it can carry with room to catch up after a kill. How many it can carry, benchmarks tell.
"""

from __future__ import annotations

import time
from collections import Counter
from itertools import pairwise
from pathlib import Path

import pytest
from benchmarks.pipeline import arrivals, pipeline
from end_to_end.clients import Observer, Publisher, wait_for
from end_to_end.service_process import ServiceProcess
from end_to_end.store_facts import StoreFacts, canonical
from end_to_end.ward_load import Load, plan, well

from adapters.replay import replay_store
from adapters.rule_files import DEFAULT_RULES, load_rules
from service.instants import from_text

pytestmark = pytest.mark.alone

MOST_PLACES = 200
#: The service may need so much of one core for them.
SHARE = 0.5
SECONDS = 60.0
KILLS_S = (20.0, 40.0)
DOWN_S = 3.0
ADVISORIES = "tidewarden/1/+/+/advisory"
HEALTH = "tidewarden/1/service/+/health"


@pytest.mark.slow
def test_nothing_is_lost_or_invented_when_the_service_is_killed(mosquitto, tmp_path: Path) -> None:
    broker = mosquitto(tmp_path / "broker")
    service = ServiceProcess(tmp_path / "service", broker.port)
    places = _carried(tmp_path / "tried")
    planned = plan(places, SECONDS, time.time_ns() // 1_000_000)
    observer = Observer(broker.port, [ADVISORIES, HEALTH], "observer", lasting=True)
    publisher = Publisher(broker.port, "ward")
    starts_s = [service.start()]
    load = Load(publisher, planned)
    began = time.monotonic()
    load.start()
    for kill_s in KILLS_S:
        time.sleep(began + kill_s - time.monotonic())
        service.kill()
        time.sleep(DOWN_S)
        starts_s.append(service.start())
    load.join(SECONDS)
    assert not load.is_alive()
    assert load.failure is None
    assert load.worst_lag_s < 1.0, "this machine cannot publish the load in real time"
    publisher.settle()
    store = StoreFacts(service.store)
    wait_for(lambda: store.count("messages") >= len(planned), 60, "all messages in the store")
    caught_up_s = time.monotonic() - began - planned[-1].sent_ms / 1000.0
    # An orderly end waits a few seconds for the broker, a loaded machine may need longer.
    wait_for(lambda: store.count("outbox") == 0, 60, "the outbox empties")
    code, _ = service.terminate()
    assert code == 0
    time.sleep(0.5)

    _every_message_once(store, publisher)
    _every_event_observed(store, observer)
    _advisories_consistent(store)
    assert store.count("outbox") == 0
    assert store.problems() == []
    replay_s = _replays_to_the_same(store, service.store)

    events = store.events()
    raised = Counter(event["rule"] for event in events if event["event"] == "raised")
    healthy = [e["rule"] for e in events if e["place"] in well(places) and e["event"] == "raised"]
    delays_ms = _delays_ms(observer)
    print(f"\n{len(planned)} messages from {places} places in {SECONDS:g} s")
    print(f"  connected after start: {', '.join(f'{s:.1f} s' for s in starts_s)}")
    print(f"  publisher at worst {load.worst_lag_s * 1000:.0f} ms behind")
    print(f"  last message in the store {caught_up_s:.1f} s after it was sent")
    print(f"  redeliveries seen by each run: {_repeats(observer)}")
    print(f"  {len(events)} events; raised: {dict(raised)}")
    print(f"  raised for the well: {healthy}")
    print(f"  decided to received: median {delays_ms[len(delays_ms) // 2]:.0f} ms")
    print(f"  replayed in {replay_s:.1f} s")
    assert not healthy


def _carried(folder: Path) -> int:
    """How many places this machine carries with room, by a short try with a few."""
    few, seconds = 20, 6.0
    took_s = pipeline(arrivals(few, seconds), folder, load_rules(DEFAULT_RULES)).seconds
    share = took_s / seconds / few
    return min(MOST_PLACES, int(SHARE / share))


def _delays_ms(observer: Observer) -> list[float]:
    """From each decision to its arrival at the observer, repeats and down times included."""
    received = observer.of("advisory")
    return sorted(1000.0 * m.at - from_text(m.body["at"]) for m in received)


def _every_message_once(store: StoreFacts, publisher: Publisher) -> None:
    kept = store.messages()
    assert len(kept) == len(set(kept))
    assert set(kept) == set(publisher.ledger)
    assert store.count("quarantine") == 0


def _every_event_observed(store: StoreFacts, observer: Observer) -> None:
    seen = {canonical(message.body) for message in observer.of("advisory")}
    kept = {canonical(body) for body in store.events()}
    assert kept, "no advisory arose: this load shows nothing"
    assert seen == kept


def _advisories_consistent(store: StoreFacts) -> None:
    events = store.events()
    raised = Counter(body["id"] for body in events if body["event"] == "raised")
    assert set(raised.values()) == {1}
    assert set(raised) == {body["id"] for body in events}
    what = {
        (body["place"], body["patient"], body["rule"], body["onset"]): body["id"] for body in events
    }
    assert len(what) == len(set(what.values())) == len(raised)


def _replays_to_the_same(store: StoreFacts, path: Path) -> float:
    began = time.monotonic()
    replayed = replay_store(path, load_rules(DEFAULT_RULES))
    assert [canonical(b) for b in replayed.events] == [canonical(b) for b in store.events()]
    return time.monotonic() - began


def _repeats(observer: Observer) -> list[int]:
    """How many messages each run of the service received again, as it said in its health."""
    counts = [m.body["repeats"] for m in observer.of("health") if "repeats" in m.body]
    last_of_run = [a for a, b in pairwise(counts) if b < a]
    return [*last_of_run, *counts[-1:]]
