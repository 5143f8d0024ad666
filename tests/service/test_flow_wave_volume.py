"""Tidal volume from a flow wave: a zero that drifts, a gain that is off, samples that are lost.

Over a whole breath as much comes out as went in (steady lung volume, no leak), which tells the
zero (common practice in spirometry, no source). True volumes are those of the simulated lung.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Any

import pytest
from change_bench import ANIMALS, BY_NAME, Animal, Bench

WHOLE = [pytest.param(animal, id=animal.name) for animal in ANIMALS]
Sensor = Callable[[float, float], float | None]


def _run(animal: Animal, sensor: Sensor | None, breaths: int = 12, **kinds: Any) -> Bench:
    bench = Bench(animal, flow_sensor=sensor, **kinds)
    bench.settle(breaths)
    return bench


def _method(bench: Bench) -> Any:
    return bench.facts().values.get("volume.method")


@pytest.mark.parametrize("animal", WHOLE)
def test_volume_of_a_flow_sensor(animal: Animal) -> None:
    # 3 % of scale and a zero that drifts by a tenth of the flow in a minute.
    inside = []
    for seed in range(12):
        random = Random(f"{seed}/{animal.name}")
        gain = random.lognormvariate(0.0, 0.03)
        drift = random.choice((-0.1, 0.1)) * animal.flow_ml_per_s / 60.0
        noise = 0.002 * animal.flow_ml_per_s

        def sensor(t: float, flow: float) -> float:
            return gain * flow + drift * (t + 30.0) + random.gauss(0.0, noise)  # noqa: B023 - called before the loop goes on

        bench = _run(animal, sensor, breaths=6, seed=seed)
        values: dict[str, Any] = bench.facts().values
        assert values["volume.method"] == "flow-wave"
        truth = bench.machine.breaths[-1].lung_volume_ml
        assert values["volume.tidal"] == pytest.approx(gain * truth, rel=0.05)
        inside.append(values["volume.tidal_low"] <= truth <= values["volume.tidal_high"])
        mass = animal.mass_kg
        for end in ("", "_low", "_high"):
            per_kg = values[f"volume.tidal{end}"] / mass
            assert values[f"volume.per_kg{end}"] == pytest.approx(per_kg)
    assert sum(inside) >= 9


def test_few_lost_samples_do_no_harm() -> None:
    random = Random(1)
    bench = _run(BY_NAME["cat"], lambda t, flow: None if random.random() < 0.02 else flow)
    assert _method(bench) == "flow-wave"
    truth = bench.machine.breaths[-1].lung_volume_ml
    assert bench.facts().values["volume.tidal"] == pytest.approx(truth, rel=0.03)


@pytest.mark.parametrize("lost", [0.3, 1.0])
def test_many_lost_samples_leave_flowmeter_and_time(lost: float) -> None:
    random = Random(1)
    animal = BY_NAME["cat"]
    bench = _run(animal, lambda t, flow: None if random.random() < lost else flow)
    facts: dict[str, Any] = bench.facts().values
    assert facts["volume.method"] == "flow-and-time"
    truth = bench.machine.breaths[-1].lung_volume_ml
    assert facts["volume.tidal_low"] <= truth <= facts["volume.tidal_high"]


def test_flow_that_stops_leaves_flowmeter_and_time() -> None:
    bench = _run(BY_NAME["cat"], lambda t, flow: flow if t < 30.0 else None)
    bench.run(10.0)
    assert _method(bench) == "flow-and-time"


@pytest.mark.parametrize("late_blocks", [1, 2])
def test_late_blocks(late_blocks: int) -> None:
    # Within a breath's time they still count; what comes later is not waited for.
    bench = _run(BY_NAME["dog"], lambda t, flow: flow, late_flow_blocks=late_blocks)
    assert _method(bench) == "flow-wave"
    slow = _run(BY_NAME["dog"], lambda t, flow: flow, late_flow_blocks=12)
    assert _method(slow) == "flow-and-time"


def test_slow_breaths() -> None:
    # Two breaths a minute, as of a tortoise: 25 samples a second are kept for as long, 200 are not.
    animal = Animal("tortoise", "reptile", 1.2, 2.4, 25.0, 0.1, 8.0, 15.0, 20.0)
    bench = _run(animal, lambda t, flow: flow, breaths=4, flow_hz=200)
    assert _method(bench) == "flow-and-time"
    bench = _run(animal, lambda t, flow: flow, breaths=4, flow_hz=25)
    assert _method(bench) == "flow-wave"
    truth = bench.machine.breaths[-1].lung_volume_ml
    values: dict[str, Any] = bench.facts().values
    assert values["volume.tidal_low"] <= truth <= values["volume.tidal_high"]


def test_sensor_alone_gives_volume_without_settings() -> None:
    bench = _run(BY_NAME["cat"], lambda t, flow: flow, settings_known=False)
    facts = bench.facts()
    assert facts.values["volume.method"] == "flow-wave"
    assert "circuit" in facts.unknown["lung.compliance"]


def test_neither_sensor_nor_settings() -> None:
    facts = _run(BY_NAME["cat"], None, settings_known=False).facts()
    for name in ("volume.tidal", "volume.method", "volume.per_kg_low", "lung.resistance_high"):
        assert facts.unknown[name] == "fresh gas flow not known"


def test_lung_of_the_simulated_animals() -> None:
    for animal in ANIMALS:
        values: dict[str, Any] = _run(animal, None).facts().values
        assert values["lung.compliance_low"] < animal.compliance < values["lung.compliance_high"]
        assert values["lung.resistance_low"] < animal.resistance < values["lung.resistance_high"]
        assert values["lung.compliance"] == pytest.approx(animal.compliance, rel=0.1)


def test_unknown_mass_leaves_the_volume() -> None:
    bench = _run(BY_NAME["cat"], None)
    assert bench.bedside.patient is not None
    bench.bedside.patient.mass_kg = None
    facts = bench.facts()
    assert "volume.tidal" in facts.values
    assert "mass" in facts.unknown["volume.per_kg"]
