"""One simulated place to experiment with, and ways to read what it sends."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from adapters.simulator.scenario import Scenario
from adapters.simulator.ward import Sent, SimulatedWard

START_MS = 1_764_080_000_000  # 2025-11-25T14:13:20Z, of no importance
PLACE = "bay-1"

#: A 0.3 kg mammal with the worked numbers of the single-compartment model.
SMALL: dict[str, dict[str, Any]] = {
    "patient": {"name": "Test", "species": "stoat", "class": "mammal", "mass_kg": 0.3},
    "settings": {
        "pip_target_cmh2o": 12.0,
        "te_set_s": 2.0,
        "fresh_gas_flow_ml_per_min": 600.0,
        "peep_cmh2o": 2.0,
    },
    "circuit": {"compliance_ml_per_cmh2o": 0.1, "valve_resistance_cmh2o_s_per_l": 0.5},
    "lung": {
        "compliance_ml_per_cmh2o": 0.45,
        "resistance_cmh2o_s_per_l": 60.0,
        "dead_space_ml": 0.9,
        "residual_ml": 6.2,
    },
    "gas": {"co2_output_ml_per_min": 3.7, "oxygen_uptake_ml_per_min": 4.6},
    "drive": {"co2_threshold_mmhg": 150.0, "rate_per_min": 30.0, "effort_cmh2o": 8.0},
    "monitor": {"pulse_rate_per_min": 240.0, "temperature_c": 37.0},
}

#: A 3 kg mammal, likewise.
LARGE: dict[str, dict[str, Any]] = {
    **SMALL,
    "patient": {"name": "Test", "species": "cat", "class": "mammal", "mass_kg": 3.0},
    "settings": {**SMALL["settings"], "fresh_gas_flow_ml_per_min": 3600.0},
    "circuit": {"compliance_ml_per_cmh2o": 0.3, "valve_resistance_cmh2o_s_per_l": 0.1},
    "lung": {
        "compliance_ml_per_cmh2o": 4.9,
        "resistance_cmh2o_s_per_l": 11.3,
        "dead_space_ml": 7.9,
        "residual_ml": 83.0,
    },
    "gas": {"co2_output_ml_per_min": 35.0, "oxygen_uptake_ml_per_min": 44.0},
}

Animal = dict[str, dict[str, Any]]


def scenario(
    animal: Animal = SMALL,
    events: Iterable[dict[str, Any]] = (),
    expects: Iterable[dict[str, Any]] = (),
    **changes: Any,
) -> Scenario:
    """One place with `animal`, each section changed by a keyword of its name."""
    sections = {name: {**section, **changes.pop(name, {})} for name, section in animal.items()}
    place = {
        "place": PLACE,
        "device": "sim-1",
        **sections,
        **changes,
        "events": list(events),
        "expects": list(expects),
    }
    return Scenario.model_validate(
        {"scenario": "bench", "title": "Bench", "ward": "w", "duration_s": 60, "places": [place]}
    )


def run(
    seconds: float,
    animal: Animal = SMALL,
    events: Iterable[dict[str, Any]] = (),
    **changes: Any,
) -> tuple[SimulatedWard, list[Sent]]:
    """The ward after `seconds`, and all that was sent."""
    ward = SimulatedWard(scenario(animal, events, **changes), START_MS, seed=1)
    return ward, ward.advance(START_MS + round(1000 * seconds))


def of_kind(sent: Iterable[Sent], kind: str) -> list[Sent]:
    """The messages of one kind."""
    return [message for message in sent if message.topic.endswith(f"/{kind}")]


def samples(sent: Iterable[Sent], channel: str) -> list[float | None]:
    """All samples of a channel in order; the first is that of the start."""
    blocks = [m.payload for m in of_kind(sent, "waveform") if m.payload["channel"] == channel]
    return [sample for block in blocks for sample in block["samples"]]


def known(values: Iterable[float | None]) -> list[float]:
    """The values that are not null."""
    return [value for value in values if value is not None]


def numerics(sent: Iterable[Sent], name: str) -> list[tuple[float, float | None]]:
    """Seconds from the start and value of one numeric."""
    return [
        ((m.at_ms - START_MS) / 1000.0, m.payload["values"][name]["value"])
        for m in of_kind(sent, "numerics")
    ]


def numeric_at(sent: Iterable[Sent], name: str, second: int) -> float:
    """The value of one numeric at a whole second; it must be known."""
    value = dict(numerics(sent, name))[float(second)]
    assert value is not None
    return value
