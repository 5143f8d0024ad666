"""Messages, arrivals and watches for the tests of the service."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Sequence
from functools import cache
from typing import Any

import pytest

from adapters.rule_files import load_rules
from adapters.simulator.scenario import builtin_scenario_text, load_scenario
from adapters.simulator.ward import SimulatedWard
from rules.engine.plain import PlainEngine
from rules.model import RuleSet
from service.bedside import Bedside
from service.instants import to_text
from service.intake import Accepted, Arrival, Intake
from service.messages import RefusalError, parse
from service.watch import Outcome, Watch

START_MS = 1_795_611_600_000  # 2026-11-25T13:00:00Z
START_TEXT = "2026-11-25T13:00:00.000Z"
PLACE = "ward-a/bed-1"
#: A small rule set that never changes: what is tested here is the service, not the rules.
RELEASED = "small-animal-ventilation@0.1.0"
Body = dict[str, Any]


def quantity(value: float | None, unit: str) -> Body:
    """A quantity of the wire."""
    return {"value": value, "unit": unit}


#: A good message of every kind, without its envelope.
GOOD: dict[str, Body] = {
    "numerics": {"values": {"etco2": quantity(38.5, "mm[Hg]"), "spo2": quantity(97.0, "%")}},
    "waveform": {
        "channel": "paw",
        "unit": "cm[H2O]",
        "rate_hz": 50,
        "samples": [2.0, 2.1, None, 6.5, 11.0] * 5,
    },
    "settings": {
        "mode": "controlled",
        "pip_target": quantity(12.0, "cm[H2O]"),
        "te_set": quantity(2.0, "s"),
        "fresh_gas_flow": quantity(600.0, "mL/min"),
    },
    "power": {
        "supply": "battery",
        "charge": quantity(80.0, "%"),
        "voltage": quantity(11.1, "V"),
        "current": quantity(0.5, "A"),
        "capacity": quantity(2.2, "A.h"),
    },
    "patient": {
        "patient": "Skerry",
        "species": "cat",
        "class": "mammal",
        "mass": quantity(600.0, "g"),
        "phase": "maintenance",
    },
    "journey": {
        "from": "recovery",
        "to": "imaging",
        "leaves_at": "2026-11-25T13:15:00.000Z",
        "minutes": 20,
        "return_minutes": 20,
        "margin_minutes": 10,
    },
    "request": {"id": "r-1", "by": "nurse", "action": "acknowledge", "target": "0" * 16},
}


def body(kind: str, *, seq: int = 1, at_ms: int = START_MS, **changes: Any) -> Body:
    """A whole message of `kind`; keys of the envelope or of the message may be changed."""
    return {
        "schema": 1,
        "device": "monitor-1",
        "epoch": "e1",
        "seq": seq,
        "at": to_text(at_ms),
        **GOOD[kind],
        **changes,
    }


def encoded(message: object) -> bytes:
    """The JSON bytes of a message."""
    return json.dumps(message).encode()


def arrival(
    kind: str,
    seq: int = 1,
    after_s: float = 0.0,
    *,
    at_s: float | None = None,
    place: str = PLACE,
    **changes: Any,
) -> Arrival:
    """A message received `after_s` from the start, taken by the device then or at `at_s`."""
    received_ms = START_MS + round(1000 * after_s)
    at_ms = received_ms if at_s is None else START_MS + round(1000 * at_s)
    payload = encoded(body(kind, seq=seq, at_ms=at_ms, **changes))
    return Arrival(received_ms, f"tidewarden/1/{place}/{kind}", payload)


def raw(payload: bytes, kind: str = "numerics", after_s: float = 0.0) -> Arrival:
    """Any bytes on a good topic."""
    return Arrival(START_MS + round(1000 * after_s), f"tidewarden/1/{PLACE}/{kind}", payload)


def read(kind: str, **changes: Any) -> Any:
    """The message as the service understands it."""
    return parse(kind, encoded(body(kind, **changes)))


def refusal(kind: str, **changes: Any) -> str:
    """Why the changed message is refused."""
    return refusal_of(kind, encoded(body(kind, **changes)))


def refusal_of(kind: str, payload: bytes) -> str:
    """Why these bytes are refused."""
    with pytest.raises(RefusalError) as caught:
        parse(kind, payload)
    return str(caught.value)


@cache
def library_rules() -> RuleSet:
    """The rule set that comes with Tidewarden."""
    return load_rules(RELEASED).rule_set


def new_watch(rule_set: RuleSet | None = None, places: Collection[str] | None = None) -> Watch:
    """A fresh watch on the plain engine."""
    rules = rule_set or library_rules()
    return Watch(rules, PlainEngine(rules), places=places)


def cycle_end(at_ms: int) -> int:
    """End of the 50 ms cycle in which something received at `at_ms` is worked on."""
    return (at_ms // 50 + 1) * 50


def step_all(watch: Watch, arrivals: Sequence[Arrival], until_s: float | None = None) -> Outcome:
    """One step over all arrivals, to the end of the last one's cycle or to `until_s`."""
    until_ms = watch.state.reached_ms
    if arrivals:
        until_ms = cycle_end(arrivals[-1].received_ms)
    if until_s is not None:
        until_ms = START_MS + round(1000 * until_s)
    return watch.step(arrivals, until_ms)


@cache
def hospital_minute(places: int = 7, seconds: int = 60) -> tuple[Arrival, ...]:
    """What the first places of the simulated hospital send, each received 20 ms later."""
    scenario = load_scenario(builtin_scenario_text())
    few = scenario.model_copy(update={"places": scenario.places[:places]})
    sent = SimulatedWard(few, START_MS, seed=11).advance(START_MS + 1000 * seconds)
    return tuple(Arrival(m.at_ms + 20, m.topic, encoded(m.payload)) for m in sent)


class Bed:
    """A bedside fed through intake, without rules."""

    def __init__(self) -> None:
        self.bedside = Bedside(*PLACE.split("/"))
        self._intake = Intake()
        self._seq = 0

    def take(self, *arrivals: Arrival) -> None:
        """All of these must be accepted."""
        for item in arrivals:
            taken = self._intake.take(item)
            assert isinstance(taken, Accepted), taken
            self.bedside.take(taken)

    def send(self, kind: str, after_s: float, **changes: Any) -> None:
        """The next message of the device, received `after_s` from the start."""
        self._seq += 1
        self.take(arrival(kind, self._seq, after_s, **changes))


def payloads(outcomes: Iterable[Outcome]) -> list[tuple[str, bytes, bool]]:
    """Everything that outcomes put into the outbox, in order."""
    return [(m.topic, m.payload, m.retain) for outcome in outcomes for m in outcome.outbox]


__all__ = [
    "GOOD",
    "PLACE",
    "START_MS",
    "START_TEXT",
    "Bed",
    "Body",
    "arrival",
    "body",
    "cycle_end",
    "encoded",
    "hospital_minute",
    "library_rules",
    "new_watch",
    "payloads",
    "quantity",
    "raw",
    "read",
    "refusal",
    "refusal_of",
    "step_all",
]
