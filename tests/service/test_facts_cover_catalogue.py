"""In every state of a bedside each fact of the catalogue has a value, or words why it has none."""

from __future__ import annotations

import math
import random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from service_bench import GOOD, PLACE, START_MS, arrival, hospital_minute, quantity

from rules.engine import clean
from rules.vocabulary import CATALOGUE, Kind
from service.bedside import Bedside
from service.facts import facts_of
from service.intake import Accepted, Arrival, Intake

NAMES = set(CATALOGUE)


def check(bedside: Bedside, now_ms: int) -> None:
    """Values and reasons together are the catalogue, each once; values are of their kind."""
    facts = facts_of(bedside, now_ms)
    assert set(facts.values) | set(facts.unknown) == NAMES
    assert not set(facts.values) & set(facts.unknown)
    assert all(reason.strip() for reason in facts.unknown.values())
    for name, value in facts.values.items():
        if CATALOGUE[name].kind is Kind.NUMBER:
            assert type(value) is float, name
            assert not math.isnan(value), name
    kept, dropped = clean(facts.values)
    assert set(kept) | set(dropped) == set(facts.values)


def test_before_anything_arrived() -> None:
    check(Bedside("w", "p"), START_MS)


@pytest.mark.parametrize("kind", GOOD)
def test_after_one_message(kind: str) -> None:
    intake, bedside = Intake(), Bedside(*PLACE.split("/"))
    taken = intake.take(arrival(kind))
    assert isinstance(taken, Accepted)
    bedside.take(taken)
    for after_s in (0, 1, 5, 20, 200, 100_000):
        check(bedside, START_MS + 1000 * after_s)


def test_all_along_the_simulated_minute() -> None:
    intake, bedsides = Intake(), dict[str, Bedside]()
    for number, item in enumerate(hospital_minute()):
        taken = intake.take(item)
        assert isinstance(taken, Accepted)
        name = f"{taken.ward}/{taken.place}"
        bedside = bedsides.setdefault(name, Bedside(taken.ward, taken.place))
        bedside.take(taken)
        if number % 5 == 0:
            bedside.due(item.received_ms)
            check(bedside, item.received_ms)


def _value(chance: random.Random, low: float, high: float, unit: str) -> dict[str, Any]:
    if chance.random() < 0.2:
        return {"value": None, "status": "sensor-off"}
    return quantity(chance.choice([low, high, 0.0 if low <= 0.0 <= high else low,
                                   chance.uniform(low, high)]), unit)  # fmt: skip


def _random_message(chance: random.Random, seq: int, now_s: float) -> Arrival:
    """Anything that intake accepts, as wild as it may be."""
    kind = chance.choice(sorted(GOOD))
    changes: dict[str, Any] = {}
    if kind == "numerics":
        bounds = {
            "etco2": (-10, 200, "mm[Hg]"),
            "spo2": (0, 100, "%"),
            "pulse_rate": (0, 1500, "/min"),
            "temperature": (-5, 60, "Cel"),
        }
        changes["values"] = {name: _value(chance, *b) for name, b in bounds.items()}
    elif kind == "waveform":
        channel = chance.choice(["paw", "co2", "co2", "pleth"])
        unit, low, high = {
            "paw": ("cm[H2O]", -150, 250),
            "co2": ("mm[Hg]", -10, 200),
            "pleth": ("1", -1e9, 1e9),
        }[channel]
        low, high = chance.choice([(low, high), (-10, 5), (0, 0), (2, 20)])
        ups = [chance.uniform(low, high) for _ in range(5)]
        changes |= {"channel": channel, "unit": unit, "rate_hz": chance.choice([5, 25, 50, 50])}
        changes["samples"] = [
            None if chance.random() < 0.03 else ups[at // 5 % 5] for at in range(20)
        ]
        changes["at_s"] = now_s + chance.choice([0.0, 0.0, 0.0, -0.3, -2.0, -30.0, 30.0])
    elif kind == "settings":
        changes["fresh_gas_flow"] = _value(chance, 0, 50_000, "mL/min")
        changes["te_set"] = _value(chance, 0, 120, "s")
        changes["circuit_compliance"] = _value(chance, 0, 50, "mL/cm[H2O]")
    elif kind == "power":
        changes["supply"] = chance.choice(["mains", "battery", "battery"])
        changes["charge"] = _value(chance, 0, 100, "%")
        changes["current"] = chance.choice(
            [_value(chance, -1000, 1000, "A"), quantity(5e-324, "A")]
        )
        changes["capacity"] = chance.choice([_value(chance, 0, 10_000, "A.h"), None])
    elif kind == "patient":
        changes["patient"] = chance.choice(["a", "b"])
        changes["mass"] = chance.choice([_value(chance, 0.001, 500, "kg"), None])
    elif kind == "journey":
        changes["leaves_at"] = chance.choice(["0001-01-01T00:00:00Z", "9999-12-31T23:59:59Z"])
    return arrival(kind, seq, now_s, **changes)


@settings(max_examples=60)
@given(seed=st.integers(0, 10**9))
def test_whatever_is_accepted(seed: int) -> None:
    chance = random.Random(seed)
    intake, bedside = Intake(), Bedside(*PLACE.split("/"))
    now_s = 0.0
    for seq in range(1, 120):
        now_s += chance.choice([0.0, 0.1, 0.4, 0.4, 0.4, 4.0, 12.0, 130.0])
        taken = intake.take(_random_message(chance, seq, now_s))
        assert isinstance(taken, Accepted), taken
        bedside.take(taken)
        now_ms = START_MS + round(1000 * now_s)
        bedside.due(now_ms)
        check(bedside, now_ms)
        check(bedside, now_ms + chance.choice([0, 900, 3100, 10_100]))


def test_a_badly_zeroed_co2_sensor_is_no_failure() -> None:
    # Peaks at exactly zero and below: a share of nothing cannot be told.
    intake, bedside = Intake(), Bedside(*PLACE.split("/"))
    for number in range(40):
        peak = 0.0 if number < 20 else -1.0
        samples = [-9.0] * 6 + [peak] * 6
        item = arrival("waveform", number, 0.5 * number, samples=samples, channel="co2",
                       unit="mm[Hg]", rate_hz=24)  # fmt: skip
        taken = intake.take(item)
        assert isinstance(taken, Accepted)
        bedside.take(taken)
        check(bedside, item.received_ms)
    assert len(bedside.expired) > 20
