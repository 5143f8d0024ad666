"""Messages of many places at real-life rates: simulated places, cloned under other names.

Each place sends, every second, a block of airway pressure, a block of CO2 and numerics, spread
over the second; settings, power and (retained) the patient when the simulated device does. The
stories of the simulated ward are told from their begin and again 15 s earlier, so that trouble
comes at different times and some places stay well.
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from end_to_end.clients import Publisher

from adapters.simulator.scenario import Scenario, builtin_scenario_text, load_scenario
from adapters.simulator.ward import SimulatedWard
from service.instants import from_text, to_text
from service.intake import Arrival

WARD = "load"
SEED = 7
_EARLIER_S = 15.0
#: What a device sends later than the rest of its second, in ms.
_LATER_MS = {"co2": 310, "numerics": 640}


@dataclass(frozen=True, slots=True)
class Template:
    """One message of a story: when it is sent and its `at`, both in ms from the begin."""

    sent_ms: int
    at_ms: int
    kind: str
    rest: str
    retain: bool


@dataclass(frozen=True, slots=True)
class Planned:
    """One message of a clone, ready to be sent `sent_ms` after the begin."""

    sent_ms: int
    at_ms: int
    device: str
    seq: int
    topic: str
    rest: str
    retain: bool

    def payload(self, start_ms: int, epoch: str) -> bytes:
        """Its JSON when the load began at `start_ms` (ms since 1970)."""
        return (
            f'{{"schema":1,"device":"{self.device}","epoch":"{epoch}","seq":{self.seq},'
            f'"at":"{to_text(start_ms + self.at_ms)}",{self.rest}}}'
        ).encode()


def stories(seconds: float, start_ms: int) -> list[list[Template]]:
    """The messages of each story that begins at `start_ms` (ms since 1970)."""
    told = load_scenario(builtin_scenario_text())
    return [*_told(told, seconds, start_ms), *_told(_earlier(told), seconds, start_ms)]


def well(places: int) -> set[str]:
    """The names of the clones, among `places`, whose animal stays well."""
    count = 2 * len(load_scenario(builtin_scenario_text()).places)
    # The last story of either telling is that of the animal that stays well.
    return {_name(i) for i in range(places) if i % (count // 2) == count // 2 - 1}


def plan(places: int, seconds: float, start_ms: int) -> list[Planned]:
    """All messages of `places` clones, in the order in which they are sent.

    Only what lies ahead, a journey's start, depends on `start_ms` (ms since 1970).
    """
    told = stories(seconds, start_ms)
    due: list[tuple[int, int, int, Template]] = []
    for number in range(places):
        shift_ms = number * 37 % 1000
        for order, template in enumerate(told[number % len(told)]):
            due.append((template.sent_ms + shift_ms, number, order, template))
    due.sort(key=lambda item: item[:3])
    counted = [0] * places
    planned = []
    for sent_ms, number, _, template in due:
        counted[number] += 1
        planned.append(
            Planned(
                sent_ms=sent_ms,
                at_ms=template.at_ms + number * 37 % 1000,
                device=f"load-{number:03d}",
                seq=counted[number],
                topic=f"tidewarden/1/{WARD}/{_name(number)}/{template.kind}",
                rest=template.rest,
                retain=template.retain,
            )
        )
    return planned


def arrivals(planned: Sequence[Planned], start_ms: int) -> list[Arrival]:
    """The load as if received the moment it was sent."""
    return [
        Arrival(start_ms + message.sent_ms, message.topic, message.payload(start_ms, "1"))
        for message in planned
    ]


class Load(threading.Thread):
    """Publishes a plan in real time. `worst_lag_s` says how far it ever was behind."""

    def __init__(self, publisher: Publisher, planned: Sequence[Planned]) -> None:
        super().__init__(name="load")
        self._publisher = publisher
        self._planned = planned
        self.worst_lag_s = 0.0
        self.failure: BaseException | None = None

    def run(self) -> None:
        """Publish all of it."""
        try:
            self._publish()
        except BaseException as error:
            self.failure = error

    def _publish(self) -> None:
        start_ms = time.time_ns() // 1_000_000
        began = time.monotonic()
        epoch = str(start_ms)
        for message in self._planned:
            due = began + message.sent_ms / 1000.0
            wait_s = due - time.monotonic()
            if wait_s > 0.0:
                time.sleep(wait_s)
            else:
                self.worst_lag_s = max(self.worst_lag_s, -wait_s)
            self._publisher.publish(
                (message.device, epoch, message.seq),
                message.topic,
                message.payload(start_ms, epoch),
                retain=message.retain,
            )


def _name(number: int) -> str:
    return f"place-{number:03d}"


def _earlier(told: Scenario) -> Scenario:
    places = []
    for spec in told.places:
        events = [e.model_copy(update={"at_s": e.at_s - _EARLIER_S}) for e in spec.events]
        places.append(spec.model_copy(update={"events": tuple(events), "expects": ()}))
    return told.model_copy(update={"places": tuple(places)})


def _told(scenario: Scenario, seconds: float, start_ms: int) -> Iterator[list[Template]]:
    sent = SimulatedWard(scenario, start_ms, SEED).advance(start_ms + round(1000 * seconds))
    for spec in scenario.places:
        templates = [
            _template(message.at_ms, start_ms, message.topic, message.payload, message.retain)
            for message in sent
            if f"/{spec.place}/" in message.topic
        ]
        yield sorted(templates, key=lambda template: template.sent_ms)


def _template(
    sent_ms: int, start_ms: int, topic: str, payload: dict[str, Any], retain: bool
) -> Template:
    envelope = ("schema", "device", "epoch", "seq", "at")
    rest = {key: value for key, value in payload.items() if key not in envelope}
    kind = topic.rsplit("/", 1)[1]
    later_ms = _LATER_MS.get(str(payload.get("channel", kind)), 0)
    return Template(
        sent_ms=sent_ms - start_ms + later_ms,
        at_ms=from_text(payload["at"]) - start_ms,
        kind=kind,
        rest=json.dumps(rest, separators=(",", ":"))[1:-1],
        retain=retain,
    )
