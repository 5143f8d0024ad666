"""Causes told of the simulated ward, from its messages through the watch, as a hospital sees them.

Truth is the story of the scenario (`adapters.simulator`); the pigeon and the tortoise stay well,
the squirrel is weaned by the team.
"""

from __future__ import annotations

from typing import Any

import pytest
from service_bench import START_MS, hospital_minute, new_watch, step_all

from service.facts import facts_of

SECONDS = 75
SURE = 0.75


@pytest.fixture(scope="module")
def told() -> dict[str, dict[str, Any]]:
    """What the facts say of each place, by patient, after 75 s."""
    watch = new_watch()
    step_all(watch, hospital_minute(7, SECONDS))
    found = {}
    for place in watch.state.places.values():
        bedside = place.bedside
        assert bedside.patient is not None
        found[bedside.patient.patient] = facts_of(bedside, START_MS + 1000 * SECONDS).values
    return found


@pytest.mark.parametrize(
    ("patient", "cause", "factor"),
    [
        ("Skerry", "compliance-down", 0.5),
        ("Marram", "resistance-up", 8.0),
        # 1.34 mL/s per cmH2O over 68 s from the 32nd on, at 9 cmH2O, of 12.5 mL/s.
        ("Bramble", "leak", 1.34 * 43.0 / 68.0 * 9.0 / 12.5),
        ("Vane", "disconnection", None),
    ],
)
def test_what_happened_is_told(
    told: dict[str, dict[str, Any]], patient: str, cause: str, factor: float | None
) -> None:
    facts = told[patient]
    assert facts["change.cause"] == cause
    assert facts["change.confidence"] >= SURE
    assert facts.get("change.factor") == (factor and pytest.approx(factor, rel=0.2))
    # It began between the 32nd and the 40th second; the chest and the leak are seen later.
    assert 10.0 < facts["change.lasts"] < SECONDS - 32.0


@pytest.mark.parametrize("patient", ["Pebble", "Basalt"])
def test_nothing_is_told_where_nothing_happened(
    told: dict[str, dict[str, Any]], patient: str
) -> None:
    # Pebble's target was raised at the 60th second, by its team.
    assert told[patient]["change.cause"] == "none"


def test_an_animal_that_breathes_by_itself_has_no_cause(told: dict[str, dict[str, Any]]) -> None:
    assert "change.cause" not in told["Hazel"]
