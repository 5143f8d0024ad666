"""A running service is given other rules while messages flow: nothing is lost, all is replayed."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from end_to_end.clients import Observer, Publisher, wait_for
from end_to_end.hand_written import HandDevice, quantity
from end_to_end.service_process import ServiceProcess, run_command
from end_to_end.store_facts import StoreFacts, canonical
from end_to_end.ward_load import Load, plan

from adapters.replay import replay_store
from adapters.rule_files import load_rules
from adapters.why import past

#: A small rule set that never changes.
RELEASED = "small-animal-ventilation@0.1.0"

PLACES = 28
SECONDS = 48.0
SWITCH_S = 20.0
STOOD = "journey-battery-short"
#: Saturation is 92 % all the time: not very low by 90 %, very low by 94 %.
SATURATION, OLD_LIMIT, NEW_LIMIT = 92, "value: 90\n", "value: 94\n"
RAISED_BY_NEW = "spo2-very-low"
NEW_RULES = "small-animal-ventilation@9.0.0"


def _site_copy(folder: Path) -> Path:
    """The default rules with one limit changed, as a site would write them."""
    folder.mkdir()
    for name, text in load_rules(RELEASED).files.items():
        assert name != "limits.yaml" or text.count(OLD_LIMIT) >= 1
        changed = text.replace(OLD_LIMIT, NEW_LIMIT) if name == "limits.yaml" else text
        if name == "rule-set.yaml":
            changed = changed.replace("version: 0.1.0", "version: 9.0.0")
        (folder / name).write_text(changed, encoding="utf-8")
    return folder


def _activate(service: ServiceProcess, folder: Path) -> None:
    store = str(service.store.parent)
    for command in (
        ["release", str(folder), "--by", "author", "--notes", "a higher limit"],
        ["activate", NEW_RULES, "--by", "second", "--author", "author", "--why", "our animals"],
    ):
        done = run_command("rules", *command, "--store", store)
        assert done.returncode == 0, done.stderr


def test_a_trial_beside_a_running_service(mosquitto, tmp_path: Path) -> None:
    broker = mosquitto(tmp_path / "broker")
    service = ServiceProcess(
        tmp_path / "service", broker.port, extra=f'[rules]\nuse = "{RELEASED}"\n'
    )
    folder = _site_copy(tmp_path / "site")
    service.start()
    store, trial = StoreFacts(service.store), ["--store", str(service.store.parent)]
    with (
        Publisher(broker.port, "hand") as own,
        Observer(broker.port, ["tidewarden/1/#"], "observer") as observer,
    ):
        device = HandDevice(own)

        def send_until(happened: Callable[[], object], why: str) -> None:
            def tried() -> object:
                device.send("numerics", values={"spo2": quantity(SATURATION, "%")})
                time.sleep(0.3)
                return happened()

            wait_for(tried, 30, why)

        signed = ["--by", "second", "--why", "before we use it"]
        done = run_command("rules", "trial", "start", folder, *signed, *trial)
        assert done.returncode == 0, done.stderr
        service.wait_for_log(f"on trial: {NEW_RULES}")
        device.plan_a_journey_on_a_weak_battery()
        send_until(lambda: store.count("trial_events") > 1, "the candidate says something")
        # A kill does not end it, and it goes on with what it knew.
        service.kill()
        service.start()
        send_until(
            lambda: any(m.body.get("trial") for m in observer.of("health")[-1:]), "its health"
        )
        done = run_command("rules", "trial", "stop", *signed, *trial)
        assert done.returncode == 0, done.stderr
        service.wait_for_log("on trial: none")
        report = run_command("rules", "trial", "report", "--json", *trial)
        assert report.returncode == 0, report.stderr
        assert service.terminate()[0] == 0
    said = {rule["rule"]: rule for rule in json.loads(report.stdout)["rules"]}
    assert (said[RAISED_BY_NEW]["before"], said[RAISED_BY_NEW]["new"]) == (0, 1)
    assert (said[STOOD]["before"], said[STOOD]["same"]) == (1, 1)
    assert json.loads(report.stdout)["candidate"] == NEW_RULES
    # Nothing of it was published, and nothing of it is among what was advised.
    published = [m for m in observer.received if m.kind in ("advisory", "standing")]
    assert published
    assert not [m for m in published if RAISED_BY_NEW.encode() in m.payload]
    assert {b["rule_set"]["version"] for b in store.events()} == {"0.1.0"}
    assert store.rows("select distinct rule_set_id from findings") == [(1,)]
    assert store.rows("select distinct rule_set_id from trial_findings") == [(2,)]
    replayed = replay_store(service.store)
    assert [canonical(b) for b in replayed.events] == [canonical(b) for b in store.events()]
    store.close()


@pytest.mark.slow
@pytest.mark.parametrize("killed", [False, True], ids=["goes on", "killed just after the switch"])
def test_switched_while_messages_flow(mosquitto, tmp_path: Path, killed: bool) -> None:
    broker = mosquitto(tmp_path / "broker")
    service = ServiceProcess(
        tmp_path / "service", broker.port, extra=f'[rules]\nuse = "{RELEASED}"\n'
    )
    folder = _site_copy(tmp_path / "site")
    observer = Observer(broker.port, ["tidewarden/1/+/+/advisory"], "observer", lasting=True)
    publisher, own = Publisher(broker.port, "ward"), Publisher(broker.port, "hand")
    service.start()
    load = Load(publisher, plan(PLACES, SECONDS, time.time_ns() // 1_000_000))
    began = time.monotonic()
    load.start()
    device = HandDevice(own)
    device.plan_a_journey_on_a_weak_battery()
    switched = False
    while time.monotonic() - began < SECONDS:
        device.send("numerics", values={"spo2": quantity(SATURATION, "%")})
        time.sleep(0.5)
        if not switched and time.monotonic() - began > SWITCH_S:
            observer.wait("advisory", lambda body: body["rule"] == STOOD)
            _activate(service, folder)
            service.wait_for_log(f"rules {NEW_RULES} are active from")
            if killed:
                service.kill()
                time.sleep(1.0)
                service.start()
            switched = True
    load.join(SECONDS)
    assert load.failure is None
    publisher.settle()
    own.settle()
    store = StoreFacts(service.store)
    sent = len(publisher.ledger) + len(own.ledger)
    wait_for(lambda: store.count("messages") >= sent, 60, "all messages in the store")
    observer.wait("advisory", lambda body: body["rule"] == RAISED_BY_NEW and body["ward"] == "hand")
    assert service.terminate()[0] == 0
    time.sleep(0.5)

    assert set(store.messages()) == {*publisher.ledger, *own.ledger}
    seen = {canonical(message.body) for message in observer.of("advisory")}
    assert seen == {canonical(body) for body in store.events()}
    _sound(store, service.store, device.place, killed=killed)
    store.close()
    for client in (observer, publisher, own):
        client.close()


def _sound(store: StoreFacts, path: Path, place: str, *, killed: bool) -> None:
    kept, events = store.messages(), store.events()
    assert len(kept) == len(set(kept))
    assert {b["rule_set"]["version"] for b in events} == {"0.1.0", "9.0.0"}
    _stands_through(events)
    replayed = replay_store(path)
    assert [canonical(b) for b in replayed.events] == [canonical(b) for b in events]
    assert store.problems() == []
    assert past(path, place).rule_set.version == "9.0.0"
    assert past(path, place, f"{SWITCH_S - 5:g}s").rule_set.version == "0.1.0"
    versions = store.rows(
        "select s.version, r.switched, r.resumed from runs r "
        "join rule_sets s on s.id = r.rule_set_id order by r.id"
    )
    after = [("9.0.0", 0, 1)] if killed else []
    assert versions == [("0.1.0", 0, 0), ("9.0.0", 1, 0), *after]


def _stands_through(events: list[dict]) -> None:
    """What stood before the switch stands; what only the new rules say came later."""
    own = [b for b in events if b["ward"] == "hand"]
    assert [b["event"] for b in own if b["rule"] == STOOD] == ["raised"]
    (new,) = [b for b in own if b["rule"] == RAISED_BY_NEW]
    assert (new["event"], new["rule_set"]["version"]) == ("raised", "9.0.0")
    at_switch = min(b["at"] for b in events if b["rule_set"]["version"] == "9.0.0")
    raised_before = {b["id"] for b in events if b["event"] == "raised" and b["at"] < at_switch}
    assert len(raised_before) > 1
    assert not [b for b in events if b["reason"] and "rule is not in" in b["reason"]]
