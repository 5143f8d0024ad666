"""The demo: an invented coastal wildlife hospital on one machine, with the real service in it.

Embedded broker, simulated places that publish over real MQTT, the service, and at the end what
was true against what was advised.
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from adapters.app import Parts, assemble, run_service
from adapters.broker import EmbeddedBroker
from adapters.mqtt import BrokerAddress
from adapters.recordings import Line, write_recording
from adapters.rule_files import DEFAULT_RULES, load_rules
from adapters.simulator.device import Sent
from adapters.simulator.scenario import Scenario, builtin_scenario_text, load_scenario
from adapters.simulator.truth import Truth
from adapters.simulator.ward import SimulatedWard
from adapters.sqlite.reading import StoreError
from adapters.sqlite.store import FILE_NAME
from service.instants import from_text, to_text
from service.watch import Outcome, WatchState

SEED: Final = 20
_STEP_S: Final = 0.1
_SETTLE_S: Final = 1.5
#: A busy machine may take so long to start (s).
_CONNECT_S: Final = 30.0
_TRUTH: Final = "truth.jsonl"
_SIGNALS: Final = "signals.jsonl.gz"


@dataclass(frozen=True, slots=True)
class Story:
    """One expectation of the truth and what became of it. Times in s since the demo began."""

    place: str
    what: str
    rule: str
    priority: str
    within_s: float
    begins_s: float
    raised_s: float | None
    raised_priority: str | None
    id: str | None
    reached: bool

    @property
    def met(self) -> bool | None:
        """Whether the right advisory came in time; None when the demo ended before it had to."""
        if self.raised_s is None:
            return False if self.reached else None
        in_time = 0.0 <= self.raised_s - self.begins_s <= self.within_s
        return in_time and self.raised_priority == self.priority


@dataclass(slots=True)
class DemoResult:
    """What the demo showed."""

    seconds: float
    store: Path
    stories: list[Story] = field(default_factory=list)
    quiet_places: dict[str, list[str]] = field(default_factory=dict)
    events: list[dict[str, Any]] = field(default_factory=list)
    accepted: int = 0
    refused: int = 0
    engine: str = ""
    rules: str = ""


def must_be_unused(folder: Path) -> None:
    """StoreError when a store, truth or signals are in the folder.

    A demo would go on with the one and overwrite the others: then nothing there fits together, and
    in the store of a service simulated animals would stand among real ones.
    """
    held = [name for name in (FILE_NAME, _TRUTH, _SIGNALS) if (folder / name).exists()]
    if held:
        raise StoreError(
            f"{folder} already holds {', '.join(held)}: name a new folder with --store, or leave "
            "--store out"
        )


#: Called in the service's thread after each turn with the state of the watch.
OnCycle = Callable[[WatchState, Outcome], None]


class Demo:
    """One run of the demo. `prepare`, then `run` until `seconds` are over or `stop` is set."""

    def __init__(
        self, store: Path, seconds: float | None = None, scenario: Scenario | None = None
    ) -> None:
        self.scenario = scenario or load_scenario(builtin_scenario_text())
        self.seconds = seconds if seconds is not None else float(self.scenario.duration_s)
        self.store = store
        self.stop = threading.Event()
        self.broker = EmbeddedBroker()
        self.start_ms = 0
        self._rules = load_rules(DEFAULT_RULES)
        self._parts: Parts | None = None
        self._ward: SimulatedWard | None = None
        self._sent: list[Sent] = []
        self._events: list[dict[str, Any]] = []
        self._failure: BaseException | None = None

    def run(self, on_cycle: OnCycle | None = None) -> DemoResult:
        """Run it all; returns the summary. Raises OSError when the broker cannot start."""
        self.broker.start()
        try:
            service = self._start_service(on_cycle)
            self._publish_ward()
            # Let the last messages through before the service is told to end.
            self.stop.wait(_SETTLE_S)
            self.stop.set()
            service.join()
        finally:
            self.stop.set()
            self.broker.stop()
        if self._failure is not None:
            raise self._failure
        return self._result()

    def _start_service(self, on_cycle: OnCycle | None) -> threading.Thread:
        parts = assemble(
            rules=self._rules,
            address=BrokerAddress(self.broker.host, self.broker.port, "tidewarden-demo"),
            store_directory=self.store,
            instance="demo",
        )
        self._parts = parts

        def each(outcome: Outcome) -> None:
            self._events.extend(body for _, _, body in outcome.events)
            if on_cycle is not None:
                on_cycle(parts.watch.state, outcome)

        def serve() -> None:
            try:
                run_service(parts, self.stop, each)
            except BaseException as error:
                self._failure = error
                self.stop.set()

        thread = threading.Thread(target=serve, name="service", daemon=True)
        thread.start()
        begun = time.monotonic()
        while not parts.link.connected.wait(_STEP_S):
            if self._failure is not None:
                raise self._failure
            if time.monotonic() - begun > _CONNECT_S:
                raise OSError("the service could not connect to the embedded broker")
        return thread

    def _publish_ward(self) -> None:
        client = paho.Client(CallbackAPIVersion.VERSION2, client_id="simulated-ward")
        client.connect(self.broker.host, self.broker.port)
        client.loop_start()
        self.start_ms = time.time_ns() // 1_000_000
        self._ward = SimulatedWard(self.scenario, self.start_ms, SEED)
        begun = time.monotonic()
        while not self.stop.is_set():
            elapsed_s = time.monotonic() - begun
            if elapsed_s > self.seconds:
                break
            for message in self._ward.advance(self.start_ms + round(1000 * elapsed_s)):
                self._sent.append(message)
                body = json.dumps(message.payload, separators=(",", ":"))
                client.publish(message.topic, body, qos=1, retain=message.retain)
            self.stop.wait(_STEP_S)
        self.seconds = min(self.seconds, time.monotonic() - begun)
        client.disconnect()
        client.loop_stop()

    def _result(self) -> DemoResult:
        parts, ward = self._parts, self._ward
        if parts is None or ward is None:
            raise RuntimeError("the demo has not run")
        self._write_truth(ward)
        stories = [
            self._story(truth)
            for truth in ward.truth
            if truth.expects is not None and truth.at_ms <= self.start_ms + 1000 * self.seconds
        ]
        raised = [body for body in self._events if body["event"] == "raised"]
        eventful = {story.place for story in stories}
        quiet = {
            spec.place: [body["rule"] for body in raised if body["place"] == spec.place]
            for spec in self.scenario.places
            if spec.place not in eventful
        }
        rule_set = self._rules.rule_set
        return DemoResult(
            seconds=self.seconds,
            store=parts.store.path,
            stories=stories,
            quiet_places=quiet,
            events=self._events,
            accepted=parts.cycle.totals.accepted,
            refused=parts.cycle.totals.refused,
            engine=parts.watch.engine.name,
            rules=rule_set.spec,
        )

    def _story(self, truth: Truth) -> Story:
        expects = truth.expects
        if expects is None:
            raise ValueError("a truth without expectation is no story")
        begins_s = (truth.at_ms - self.start_ms) / 1000.0
        match = next(
            (
                body
                for body in self._events
                if body["event"] == "raised"
                and body["place"] == truth.place
                and body["rule"] == expects.rule
            ),
            None,
        )
        raised_s = None
        if match is not None:
            raised_s = (from_text(match["raised_at"]) - self.start_ms) / 1000.0
        return Story(
            place=truth.place,
            what=truth.what,
            rule=expects.rule,
            priority=expects.priority,
            within_s=expects.within_s,
            begins_s=begins_s,
            raised_s=raised_s,
            raised_priority=match["priority"] if match else None,
            id=match["id"] if match else None,
            reached=begins_s + expects.within_s <= self.seconds,
        )

    def _write_truth(self, ward: SimulatedWard) -> None:
        """The truth beside the signals: events, breaths, and the signals as a recording."""
        with (self.store / _TRUTH).open("w", encoding="utf-8") as file:
            for truth in ward.truth:
                expects = truth.expects
                row = {
                    "at": to_text(truth.at_ms),
                    "place": truth.place,
                    "what": truth.what,
                    "expects": None
                    if expects is None
                    else {
                        "rule": expects.rule,
                        "priority": expects.priority,
                        "within_s": expects.within_s,
                    },
                }
                file.write(json.dumps(row, ensure_ascii=False) + "\n")
        lines = (Line(sent.at_ms, sent.topic, sent.payload) for sent in self._sent)
        write_recording(self.store / _SIGNALS, lines)
