"""From the simulated animal through the wire to the facts: arrest, disconnection, blocked tube."""

from __future__ import annotations

import json
from collections.abc import Iterable
from functools import cache
from typing import Any

import pytest
from simulator_bench import LARGE, PLACE, SMALL, START_MS, run

from service.bedside import Bedside
from service.facts import FactSet, facts_of
from service.intake import Accepted, Arrival, Intake

ANIMALS = {"0.3 kg": SMALL, "3 kg": LARGE}
#: Until then all goes well.
HAPPENS_S = 30.0
Moment = tuple[float, FactSet]


@cache
def _followed(kind: str, animal: str) -> tuple[Moment, ...]:
    events: Iterable[dict[str, Any]] = {
        "arrest": [{"kind": "perfusion", "factor": 0.0, "at_s": HAPPENS_S}],
        "half": [{"kind": "perfusion", "factor": 0.5, "at_s": HAPPENS_S}],
        "disconnect": [{"kind": "disconnect", "at_s": HAPPENS_S}],
        "occlude": [{"kind": "occlude", "at_s": HAPPENS_S}],
        "standby": [{"kind": "settings", "mode": "standby", "at_s": HAPPENS_S}],
    }[kind]
    _, sent = run(60.0, ANIMALS[animal], events)
    intake, bedside, next_ms = Intake(), Bedside("w", PLACE), START_MS
    moments: list[Moment] = []
    for message in sent:
        while message.at_ms >= next_ms:
            bedside.due(next_ms)
            moments.append(((next_ms - START_MS) / 1000.0, facts_of(bedside, next_ms)))
            next_ms += 500
        payload = json.dumps(message.payload).encode()
        taken = intake.take(Arrival(message.at_ms, message.topic, payload))
        assert isinstance(taken, Accepted)
        bedside.take(taken)
    return tuple(moments)


def _courses(kind: str, animal: str, from_s: float, to_s: float = 60.0) -> set[object]:
    return {
        facts.values["co2.course"]
        for at, facts in _followed(kind, animal)
        if from_s <= at <= to_s
    }  # fmt: skip


@pytest.mark.parametrize("animal", ANIMALS)
def test_all_is_well_before(animal: str) -> None:
    assert _courses("arrest", animal, 20.0, HAPPENS_S) == {"steady"}
    facts = next(f for at, f in _followed("arrest", animal) if at == 28.0).values
    assert facts["co2.waveform"] == "moving"
    assert facts["co2.baseline"] == "clear"
    assert facts["co2.plateau"] is True
    assert facts["co2.agreement"] == 1.0
    assert facts["co2.missing_for_inflations"] == facts["co2.breaths_without_pressure"] == 0.0
    assert facts["etco2.diluted"] is False
    assert facts["co2.quality"] == 1.0


@pytest.mark.parametrize("animal", ANIMALS)
def test_arrest_is_a_washout_and_never_a_sudden_loss(animal: str) -> None:
    assert "sudden-loss" not in _courses("arrest", animal, HAPPENS_S, 55.0)
    assert _courses("arrest", animal, 43.0, 55.0) == {"washout"}


@pytest.mark.parametrize("kind", ["disconnect", "occlude", "standby"])
@pytest.mark.parametrize("animal", ANIMALS)
def test_gas_that_comes_no_more_is_a_sudden_loss(kind: str, animal: str) -> None:
    assert "washout" not in _courses(kind, animal, HAPPENS_S)
    assert _courses(kind, animal, 40.0) == {"sudden-loss"}


@pytest.mark.parametrize("animal", ANIMALS)
def test_half_the_circulation_is_no_washout(animal: str) -> None:
    assert _courses("half", animal, HAPPENS_S) <= {"steady", "gradual"}
    assert "gradual" in _courses("half", animal, 50.0)


@pytest.mark.parametrize("animal", ANIMALS)
def test_inflations_into_a_blocked_tube_bring_no_co2(animal: str) -> None:
    last = _followed("occlude", animal)[-1][1].values
    assert last["co2.agreement"] <= 0.1
    assert last["co2.missing_for_inflations"] >= 3.0
    for at, facts in _followed("occlude", animal):
        if at > 10.0:
            assert facts.values["co2.breaths_without_pressure"] == 0.0
