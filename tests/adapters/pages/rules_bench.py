"""A store that a service has lived through: rules activated and tried, advisories seen or not."""

from __future__ import annotations

import json
from pathlib import Path

from rule_bench import START_MS, signed, variant

from adapters.app import Parts, assemble, switch_rules
from adapters.mqtt import BrokerAddress
from adapters.rule_activation import activate, open_ledger, start_trial
from adapters.rule_files import load_rules
from adapters.rule_policy import Policy
from adapters.rule_releases import Candidate, release
from adapters.rule_switch import InForce
from adapters.simulator.scenario import builtin_scenario_text, load_scenario
from adapters.simulator.ward import SimulatedWard
from service.instants import to_text
from service.intake import Arrival

SECONDS = 150
FIRST = "small-animal-ventilation@0.1.0"
#: Whose limit of CO2 is lower, so that on trial a rabbit with a kinked tube is told of too.
ACTIVE, TRIED = "house-rules@1.0.0", "house-rules@1.1.0"

#: Where somebody takes note of what, shortly before the end.
SEEN = ("recovery/bay-2", "airway-narrowing")
#: Where probes are loose, and the rule that cries wolf over it.
LOOSE = ("recovery/loose-1", "recovery/loose-2", "theatre/loose-3")
WOLF = "spo2-very-low"


def lived_store(folder: Path) -> None:
    """Seven simulated animals for 150 s; rules activated after 60 s, others tried from 80 s on."""
    first = load_rules(FIRST)
    active = variant("1.0.0", name="house-rules")
    tried = variant("1.1.0", co2_high=50, name="house-rules")
    parts = assemble(rules=first, address=BrokerAddress("127.0.0.1", 9), store_directory=folder)
    parts.store.begin_run(
        started_ms=START_MS, instance="test", software="test", engine="any",
        rule_set=first.rule_set, rule_files=first.files, resumed=False,
    )  # fmt: skip
    came = _arrivals()
    _work(parts, came, 0, 60)
    with open_ledger(folder) as ledger:
        for rules in (active, tried):
            release(
                ledger, Candidate(rules), at=signed().at, by="Second Nurse", notes="for kittens"
            )
        activate(ledger, ACTIVE, signed("Duty Vet", minute=1), "Second Nurse", Policy())
        _follow(parts, InForce(active, None, ledger.last()))
        _work(parts, came, 60, 80)
        start_trial(ledger, TRIED, signed("Duty Vet", "to hear what it would say", 1))
        _follow(parts, InForce(active, tried, ledger.last()))
        _work(parts, came, 80, SECONDS - 5)
        came.append(_acknowledgement(parts))
        _work(parts, came, SECONDS - 5, SECONDS)
    parts.switch.close()
    parts.store.close()


def _follow(parts: Parts, chosen: InForce) -> None:
    parts.switch.now = chosen
    switch_rules(parts, chosen)


def _arrivals() -> list[Arrival]:
    ward = SimulatedWard(load_scenario(builtin_scenario_text()), START_MS, 4)
    sent = ward.advance(START_MS + 1000 * SECONDS)
    came = [Arrival(m.at_ms + 4, m.topic, json.dumps(m.payload).encode()) for m in sent]
    for second in range(SECONDS):
        # Probes that slip off and back: nobody looks, and it is over by itself.
        values = {"spo2": {"value": 80.0 if 20 <= second < 40 else 97.0, "unit": "%"}}
        for place in LOOSE:
            came.append(_sent(place, "numerics", second, values=values))
    return sorted(came, key=lambda arrival: arrival.received_ms)


def _sent(place: str, kind: str, second: int, **body: object) -> Arrival:
    at_ms = START_MS + 1000 * second
    about = {"schema": 1, "device": place, "epoch": kind, "seq": second, "at": to_text(at_ms)}
    whole = {**about, **body}
    return Arrival(at_ms, f"tidewarden/1/{place}/{kind}", json.dumps(whole).encode())


def _acknowledgement(parts: Parts) -> Arrival:
    place, rule = SEEN
    standing = parts.watch.state.places[place].book.standing()
    (target,) = [advisory.id for advisory in standing if advisory.rule == rule]
    asks = {"id": "r-1", "by": "Duty Vet", "action": "acknowledge", "target": target}
    return _sent(place, "request", SECONDS - 5, **asks)


def _work(parts: Parts, came: list[Arrival], begins_s: int, ends_s: int) -> None:
    for second in range(begins_s, ends_s):
        begins_ms = START_MS + 1000 * second
        now = [a for a in came if begins_ms <= a.received_ms < begins_ms + 1000]
        parts.store.commit(parts.watch.step(now, begins_ms + 1000), [], None)
