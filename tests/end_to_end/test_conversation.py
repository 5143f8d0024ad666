"""What a running service says on the wire: advisories, standing, replies, rejections, its end."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from end_to_end.clients import Observer, Publisher, wait_for
from end_to_end.hand_written import HandDevice, quantity
from end_to_end.service_process import ServiceProcess, none_left_running
from end_to_end.store_facts import StoreFacts, canonical

RULE = "journey-battery-short"


@dataclass
class Bench:
    """A broker, a service, a device at whose place an advisory stands, and an observer."""

    port: int
    service: ServiceProcess
    store: StoreFacts
    device: HandDevice
    observer: Observer
    raised: dict[str, Any]


@pytest.fixture(scope="module")
def bench(mosquitto, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    folder: Path = tmp_path_factory.mktemp("conversation")
    broker = mosquitto(folder / "broker")
    service = ServiceProcess(folder / "service", broker.port)
    topics = ["tidewarden/1/#"]
    with (
        none_left_running(),
        Publisher(broker.port, "device") as publisher,
        Observer(broker.port, topics, "observer") as observer,
    ):
        service.start()
        device = HandDevice(publisher)
        device.plan_a_journey_on_a_weak_battery()
        raised = observer.wait("advisory", lambda body: body["rule"] == RULE)
        store = StoreFacts(service.store)
        yield Bench(broker.port, service, store, device, observer, raised)
        store.close()
    broker.kill()


def _late(bench: Bench, topic: str) -> dict[str, Any]:
    """What a subscriber that comes now is given at once: the retained message."""
    with Observer(bench.port, [topic], "late") as late:
        wait_for(lambda: late.received, 5, f"a retained message on {topic}")
        assert late.received[0].retained
        return late.received[0].body


def test_a_late_subscriber_is_given_what_stands(bench: Bench) -> None:
    body = _late(bench, "tidewarden/1/hand/bay-1/standing")
    assert bench.raised["id"] in [advisory["id"] for advisory in body["standing"]]


def test_a_late_subscriber_is_given_the_health(bench: Bench) -> None:
    body = _late(bench, f"tidewarden/1/service/{bench.service.instance}/health")
    assert body["status"] == "online"
    assert body["rule_set"] == bench.raised["rule_set"]


def test_an_acknowledgement_is_answered_published_and_kept(bench: Bench) -> None:
    identity = bench.raised["id"]
    bench.device.ask("ask-1", "acknowledge", identity)
    reply = bench.observer.wait("reply", lambda body: body["request"] == "ask-1")
    assert (reply["done"], reply["reason"]) == (True, None)
    event = bench.observer.wait("advisory", lambda body: body["event"] == "acknowledged")
    assert (event["id"], event["by"], event["state"]) == (identity, "nurse on duty", "acknowledged")
    standing = bench.observer.wait(
        "standing",
        lambda body: any(a["state"] == "acknowledged" for a in body["standing"]),
    )
    assert identity in [advisory["id"] for advisory in standing["standing"]]
    assert canonical(event) in [canonical(kept) for kept in bench.store.events()]
    rows = bench.store.rows(
        "select state, acknowledged_by, acknowledged_at from advisories where id = ?", identity
    )
    assert rows == [("acknowledged", "nurse on duty", event["at"])]


def test_an_action_that_is_not_known_is_answered_with_the_reason(bench: Bench) -> None:
    bench.device.ask("ask-2", "ventilate", bench.raised["id"])
    reply = bench.observer.wait("reply", lambda body: body["request"] == "ask-2")
    assert reply["done"] is False
    assert "'ventilate' is not known" in reply["reason"]


def test_an_advisory_that_does_not_stand_is_answered_with_the_reason(bench: Bench) -> None:
    bench.device.ask("ask-3", "acknowledge", "0123456789abcdef")
    reply = bench.observer.wait("reply", lambda body: body["request"] == "ask-3")
    assert reply["done"] is False
    assert "0123456789abcdef" in reply["reason"]


@pytest.mark.parametrize(
    ("kind", "payload", "reason"),
    [
        ("numerics", b"not JSON", "JSON"),
        ("numerics", b"", "empty"),
        ("numerics", b"\xff\xfe", "JSON"),
        ("numerics", b'{"schema":1}', "device"),
        (
            "numerics",
            b'{"schema":1,"device":"d","epoch":"1","seq":1,"at":"2001-01-01T00:00:00.000Z",'
            b'"values":{}}',
            "clock",
        ),
    ],
)
def test_a_bad_message_is_answered_and_kept(
    bench: Bench, kind: str, payload: bytes, reason: str
) -> None:
    bench.device.send_raw(kind, payload)
    digest = hashlib.sha256(payload).hexdigest()
    answer = bench.observer.wait("rejected", lambda body: body["sha256"] == digest)
    assert reason in answer["reason"]
    assert answer["topic"] == f"tidewarden/1/hand/bay-1/{kind}"
    rows = bench.store.rows(
        "select b.payload, q.reason from quarantine q join quarantined_payloads b"
        " on b.sha256 = q.payload_sha256 where q.payload_sha256 = ?",
        digest,
    )
    assert rows == [(payload, answer["reason"])]


def test_bad_messages_do_not_stop_the_stream(bench: Bench) -> None:
    before = bench.store.count("messages")
    bench.device.send("numerics", values={"spo2": quantity(97, "%")})
    wait_for(lambda: bench.store.count("messages") == before + 1, 5, "the next good message")


def test_when_the_service_is_killed_its_will_says_so(bench: Bench) -> None:
    topic = f"tidewarden/1/service/{bench.service.instance}/health"
    bench.service.kill()
    bench.observer.wait("health", lambda body: body["status"] == "offline", 5)
    assert _late(bench, topic)["status"] == "offline"
