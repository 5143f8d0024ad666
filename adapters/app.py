"""The one place where the parts are put together."""

from __future__ import annotations

import logging
import platform
import threading
import time
from collections.abc import Callable, Collection
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Final, Literal

from adapters.clock import SystemClock
from adapters.config import Config
from adapters.mqtt import BrokerAddress, MqttLink
from adapters.replay import begin_as, decide_as
from adapters.rule_files import LoadedRules, RuleFilesError, load_rules
from adapters.rule_policy import Policy
from adapters.rule_switch import InForce, RuleSwitch, active_rules, stop_trial
from adapters.sqlite.reading import stretches
from adapters.sqlite.store import SqliteStore
from rules.engine import EngineError, build_engine
from rules.loading import RuleSetError
from service.cycle import Cycle
from service.instants import to_text
from service.outbound import encode, rule_set_words
from service.watch import CYCLE_MS, Outcome, Watch

log = logging.getLogger("tidewarden")

HEALTH_EVERY_S: Final = 1.0
RECONNECT_S: Final = 2.0
#: At an orderly end the broker gets this long to acknowledge what was decided last.
HAND_OVER_S: Final = 1.0
#: A trial is stopped when so many turns in a row each took longer than this (s).
SLOW_TURNS: Final = 30
SLOW_TURN_S: Final = 1.0
EngineChoice = Literal["auto", "durable", "plain"]


def software() -> str:
    """Name and versions, as noted in the store for each run."""
    return f"tidewarden {version('tidewarden')}, Python {platform.python_version()}"


@dataclass(slots=True)
class Parts:
    """What a service is made of. `resumed` when an earlier run left something to take up.

    `places` are the only ones accepted; None accepts any.
    """

    watch: Watch
    store: SqliteStore
    clock: SystemClock
    link: MqttLink
    cycle: Cycle
    switch: RuleSwitch
    instance: str
    places: Collection[str] | None
    resumed: bool
    engine: EngineChoice = "auto"
    slow_turns: int = 0


def assemble(
    *,
    rules: LoadedRules,
    address: BrokerAddress,
    store_directory: Path,
    instance: str = "tidewarden",
    engine: EngineChoice = "auto",
    places: Collection[str] | None = None,
    policy: Policy | None = None,
) -> Parts:
    """Open the store, take up where the last run stopped, and prepare the broker connection.

    `rules` are those of the configuration: what is active in the store goes before them.
    """
    store = SqliteStore(store_directory)
    switch = RuleSwitch(store.ledger, policy or Policy(), rules)
    chosen = switch.now.rules.rule_set
    watch = Watch(chosen, build_engine(chosen, engine), instance=instance, places=places)
    progress = store.progress()
    if progress is not None:
        take_up(watch, store, progress.reached_ms)
    go_by(watch, switch.now, places, engine)
    log.info("engine %s; rules %s", watch.engine.name, chosen.spec)
    clock = SystemClock(not_before_ms=progress.reached_ms if progress else 0)
    link = MqttLink(address, clock, instance, CYCLE_MS)
    cycle = Cycle(watch, link, store, link)
    resumed = progress is not None
    return Parts(watch, store, clock, link, cycle, switch, instance, places, resumed, engine)


def go_by(
    watch: Watch, chosen: InForce, places: Collection[str] | None, engine: EngineChoice = "auto"
) -> None:
    """Let the watch decide by these rules from the next cycle on, and try those on trial."""
    active = build_engine(chosen.rules.rule_set, engine)
    watch.use(chosen.rules.rule_set, active, places)
    if chosen.trial is None:
        watch.end_trial()
    else:
        watch.try_out(chosen.trial.rule_set, build_engine(chosen.trial.rule_set, engine))


def take_up(watch: Watch, store: SqliteStore, reached_ms: int) -> None:
    """Bring the watch to where the store is: the last checkpoint, then what came after it.

    Outcomes are dropped: they were kept and put into the outbox when they were first decided, by
    the rules of that time.
    """
    after = 0
    checkpoint = store.checkpoint()
    if checkpoint is not None:
        try:
            watch.restore(checkpoint[1])
            after = checkpoint[0]
        except ValueError as error:
            log.warning("checkpoint not usable (%s); working through the whole store", error)
    # A run that began at or after the checkpoint is not in it, even when nothing had arrived yet.
    reached, runs = watch.state.reached_ms, store.runs()
    later = [run for run in runs if run.reached_ms >= reached and (run.resumed or run.switched)]
    for run in [run for run in runs if run not in later][-1:]:
        decide_as(watch, run, with_trial=True)
    arrivals = list(store.arrivals(after))
    for stretch in stretches(arrivals, later, after, reached_ms):
        if stretch.run is not None:
            begin_as(watch, stretch.run, with_trial=True)
        watch.step(stretch.arrivals, stretch.until_ms)
    log.info("took up the store at %s (%d messages again)", to_text(reached_ms), len(arrivals))


def run_service(
    parts: Parts,
    stop: threading.Event,
    each_cycle: Callable[[Outcome], None] | None = None,
) -> None:
    """Run until `stop` is set. Waits for a broker that is not there yet."""
    started_ms = _connect(parts, stop)
    if started_ms is None:
        parts.store.close()
        return
    try:
        _begin(parts, started_ms)
        health_due = 0.0
        while not stop.is_set():
            began = time.monotonic()
            outcome = parts.cycle.run_once()
            for place, kind in outcome.failed:
                log.error(
                    "place %s could not be evaluated (%s): it is NOT being watched", place, kind
                )
            _follow_ledger(parts, outcome)
            if each_cycle is not None:
                each_cycle(outcome)
            if began >= health_due:
                parts.link.tell_health(_health(parts))
                health_due = began + HEALTH_EVERY_S
            took_s = time.monotonic() - began
            parts.slow_turns = parts.slow_turns + 1 if took_s > SLOW_TURN_S else 0
            stop.wait(max(0.0, CYCLE_MS / 1000.0 - took_s))
        parts.cycle.run_once()
        parts.link.hand_over(HAND_OVER_S)
    finally:
        # What is written down must be what was decided: only after an orderly last cycle.
        if stop.is_set():
            parts.cycle.close()
        parts.link.close()
        parts.switch.close()
        parts.store.close()


def _follow_ledger(parts: Parts, outcome: Outcome) -> None:
    """Between two cycles: take other rules where the ledger asks for them."""
    why = outcome.trial_failed
    if why is None and parts.slow_turns >= SLOW_TURNS:
        why = "the service fell behind with it"
    candidate = parts.switch.now.trial
    if why is not None and candidate is not None:
        log.error("the trial of %s is stopped: %s", candidate.rule_set.spec, why)
        stop_trial(parts.store.ledger, candidate.rule_set, to_text(parts.clock.now_ms()), why)
        parts.slow_turns = 0
    chosen = parts.switch.look()
    if chosen is not None:
        switch_rules(parts, chosen)


def switch_rules(parts: Parts, chosen: InForce) -> None:
    """Go by other rules from here on, and note where in the stream that was.

    What stands stays, where its rule still exists. A kill at any point in here leaves a store
    that knows either nothing of the switch or all of it.
    """
    reached = Outcome(reached_ms=parts.watch.state.reached_ms)
    parts.store.commit(reached, [], None)
    try:
        go_by(parts.watch, chosen, parts.places, parts.engine)
    except EngineError as error:
        log.error("engine %s cannot take the rules (%s); using another", parts.engine, error)
        go_by(parts.watch, chosen, parts.places)
    _begin_run(parts, reached.reached_ms, resumed=False, switched=True)
    parts.store.commit(reached, [], parts.watch.checkpoint())
    log.info(
        "rules %s are active from %s on; on trial: %s",
        chosen.rules.rule_set.spec,
        to_text(reached.reached_ms),
        "none" if chosen.trial is None else chosen.trial.rule_set.spec,
    )


def _connect(parts: Parts, stop: threading.Event) -> int | None:
    """When the connection was begun: nothing was received before. None when told to stop."""
    warned = False
    while not stop.is_set():
        started_ms = parts.clock.now_ms()
        try:
            parts.link.open()
        except OSError as error:
            if not warned:
                log.warning("broker cannot be reached (%s); trying until it can", error)
            warned = True
            stop.wait(RECONNECT_S)
        else:
            return started_ms
    return None


def _begin(parts: Parts, started_ms: int) -> None:
    """Note the run. Watching goes on from here, not from when the store was opened: taking up can
    last longer than the grace that silent places get."""
    _begin_run(parts, started_ms, resumed=parts.resumed)
    if parts.resumed:
        outcome = parts.watch.resume(started_ms)
        # So that a service that is killed again and again does not take up more each time.
        parts.store.commit(outcome, [], parts.watch.checkpoint())
    parts.link.post(parts.store.unsent())


def _begin_run(parts: Parts, started_ms: int, *, resumed: bool, switched: bool = False) -> None:
    now = parts.switch.now
    parts.store.begin_run(
        started_ms=started_ms,
        instance=parts.instance,
        software=software(),
        engine=parts.watch.engine.name,
        rule_set=now.rules.rule_set,
        rule_files=now.rules.files,
        places=parts.places,
        resumed=resumed,
        trial=now.trial,
        activation=now.entry,
        switched=switched,
    )


def _health(parts: Parts) -> bytes:
    totals = parts.cycle.totals
    state = parts.watch.state
    candidate = parts.watch.candidate
    devices = state.intake.devices.values()
    return encode(
        {
            "schema": 1,
            "status": "online",
            "at": to_text(state.reached_ms),
            "instance": parts.instance,
            "software": software(),
            "engine": parts.watch.engine.name,
            "rule_set": rule_set_words(parts.watch.rule_set),
            "trial": None if candidate is None else rule_set_words(candidate),
            "places": len(state.places),
            "standing": sum(len(place.book.standing()) for place in state.places.values()),
            "queued": parts.link.queued,
            "accepted": totals.accepted,
            "refused": totals.refused,
            "repeats": totals.repeats,
            "late": sum(device.late for device in devices),
            "missing": sum(device.missing for device in devices),
            "unknown_keys": state.intake.unknown_keys,
            "evaluations": totals.evaluations,
            "failed_evaluations": totals.failed,
        }
    )


def service_from_config(config: Config) -> Parts:
    """A service as its configuration file describes it."""
    engine: EngineChoice = "auto"
    if config.rules.engine in ("durable", "plain"):
        engine = "durable" if config.rules.engine == "durable" else "plain"
    return assemble(
        rules=_configured_rules(config),
        address=config.broker_address(),
        store_directory=config.store.directory,
        instance=config.service.instance,
        engine=engine,
        places=config.places.accept,
        policy=config.rules.policy(),
    )


def _configured_rules(config: Config) -> LoadedRules:
    """The rules of the configuration, or those active in the store where they cannot be read.

    A folder in which somebody is still writing must not keep a service from starting that goes by
    what is active in its store anyway.
    """
    try:
        return load_rules(config.rules.use)
    except (RuleFilesError, RuleSetError) as error:
        active = active_rules(config.store.directory, config.rules.policy())
        if active is None:
            raise
        log.error("rules %s of the configuration cannot be read: %s", config.rules.use, error)
        return active
