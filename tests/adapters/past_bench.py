"""A store of two places made by the code that runs live, for what the pages tell of the past."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

from end_to_end.ward_bench import PagesProcess
from ruamel.yaml import YAML

from adapters.rule_files import DEFAULT_RULES, load_rules
from adapters.simulator.scenario import builtin_scenario_text, load_scenario
from adapters.simulator.ward import SimulatedWard
from adapters.sqlite.store import SqliteStore
from adapters.tcp import free_port
from rules.engine.plain import PlainEngine
from service.instants import to_text
from service.intake import Arrival
from service.watch import Watch

START_MS = 1_795_611_600_000
SECONDS = 130
PLACE = "recovery/bay-2"
#: Its tube kinks at 36 s, saturation is not known from 60 to 80 s, nothing at all comes from 84 to
#: 100 s, and at 110 s another animal is entered.
_EVENTS = [
    {"at_s": 36, "kind": "resistance", "factor": 8, "over_s": 2},
    {"at_s": 50, "kind": "phase", "phase": "transfer"},
    {"at_s": 60, "kind": "sensor-off", "sensor": "spo2"},
    {"at_s": 80, "kind": "sensor-on", "sensor": "spo2"},
    {"at_s": 84, "kind": "silent", "for_s": 16},
]
NEXT = {"patient": "Sorrel", "species": "guinea pig", "class": "mammal",
        "mass": {"value": 0.9, "unit": "kg"}, "phase": "induction"}  # fmt: skip
JOURNEY = {"from": "recovery", "to": "imaging", "leaves_at": to_text(START_MS + 600_000),
           "minutes": 10.0, "return_minutes": 10.0, "margin_minutes": 5.0}  # fmt: skip


def make_store(folder: Path, *, checkpoints: bool = True, hold: int = SECONDS) -> Path:
    """What is received in `hold` seconds; the advisory that comes first is acknowledged by Wren."""
    rules = load_rules(DEFAULT_RULES)
    watch, store = Watch(rules.rule_set, PlainEngine(rules.rule_set)), SqliteStore(folder)
    store.begin_run(
        started_ms=START_MS, instance="test", software="test", engine="plain",
        rule_set=rules.rule_set, rule_files=rules.files, resumed=False,
    )  # fmt: skip
    ward = SimulatedWard(load_scenario(_scenario()), START_MS, 4)
    arrivals = [
        Arrival(m.at_ms + 4, m.topic, json.dumps(m.payload).encode())
        for m in ward.advance(START_MS + 1000 * hold)
    ]
    arrivals += [
        _sent("journey", 1, 30, **JOURNEY),
        _sent("request", 2, 70, id="r-2", by="Wren", action="pause", minutes=5, reason="suction"),
        _sent("request", 3, 76, id="r-3", by="Wren", action="resume", reason="done"),
        _sent("patient", 4, 110, **NEXT),
    ]
    for second in range(hold):
        begins, ends = START_MS + 1000 * second, START_MS + 1000 * (second + 1)
        now = [a for a in arrivals if begins <= a.received_ms < ends]
        if second == 62:
            now.append(_acknowledged(watch))
        now.sort(key=lambda arrival: arrival.received_ms)
        keep = watch.checkpoint() if checkpoints and second % 10 == 9 else None
        store.commit(watch.step(now, ends), [], keep)
    store.close()
    return store.path


def _scenario() -> str:
    """The demo's rabbit and, beside it, its pigeon that stays well."""
    yaml, text = YAML(), io.StringIO()
    body = yaml.load(builtin_scenario_text())
    body["places"] = [one for one in body["places"] if one["place"] in ("bay-2", "bay-7")]
    body["places"][0]["events"] = _EVENTS
    yaml.dump(body, text)
    return text.getvalue()


def _acknowledged(watch: Watch) -> Arrival:
    book = watch.state.places[PLACE].book
    standing = [one.advisory for one in book.tracked.values() if one.advisory is not None]
    target = next(one.id for one in standing if one.rule == "airway-narrowing")
    return _sent("request", 9, 62, id="r-9", by="Wren", action="acknowledge", target=target)


def _sent(kind: str, seq: int, after_s: float, **body: Any) -> Arrival:
    received_ms = START_MS + round(1000 * after_s) + 500
    envelope = {"schema": 1, "device": "desk", "epoch": "e", "seq": seq, "at": to_text(received_ms)}
    payload = json.dumps({**envelope, **body}).encode()
    return Arrival(received_ms, f"tidewarden/1/{PLACE}/{kind}", payload)


def past_pages(folder: Path, store: Path, hidden: Path | None = None) -> PagesProcess:
    """The pages of a store, started without a broker: what is past needs none."""
    made = PagesProcess(folder, free_port("127.0.0.1"), store=store, hidden=hidden)
    made.start()
    return made
