"""What is set after a message of the ventilator, since when, and what a change did."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from service_bench import START_MS, quantity, read

from service.known import Jump, SettingsInfo
from service.settings import confirmed, flow_factor, is_same

ALL = {
    "pip_target": quantity(12.0, "cm[H2O]"),
    "te_set": quantity(2.0, "s"),
    "fresh_gas_flow": quantity(600.0, "mL/min"),
    "peep_set": quantity(3.0, "cm[H2O]"),
    "circuit_compliance": quantity(0.4, "mL/cm[H2O]"),
    "apparatus_dead_space": quantity(0.8, "mL"),
}


def say(known: SettingsInfo | None, after_s: float, **changes: Any) -> SettingsInfo:
    """What is set after a message that says this, received 20 ms after it was sent."""
    at_ms = START_MS + round(1000 * after_s)
    message = read("settings", at_ms=at_ms, **changes)
    return confirmed(known, message, at_ms + 20, f"ventilator:{after_s:g}")


def test_the_first_message_is_a_change_but_no_jump() -> None:
    new = say(None, 5.0, **ALL)
    received_ms = START_MS + 5020
    assert new == SettingsInfo(
        mode="controlled",
        pip_target=12.0,
        te_set=2.0,
        fresh_gas_flow=600.0,
        peep_set=3.0,
        circuit_compliance=0.4,
        apparatus_dead_space=0.8,
        at_ms=START_MS + 5000,
        received_ms=received_ms,
        changed_ms=received_ms,
        mode_since_ms=received_ms,
        reference="ventilator:5",
    )
    assert not is_same(None, new)


@pytest.mark.parametrize("name", ["mode", *ALL])
def test_what_a_message_does_not_say_stays(name: str) -> None:
    known = say(None, 0.0, **ALL)
    new = say(known, 60.0, **{**ALL, name: None})
    assert getattr(new, name) == getattr(known, name)
    assert is_same(known, new)


def test_a_value_that_is_said_to_be_missing_is_not_kept() -> None:
    known = say(None, 0.0, **ALL)
    new = say(known, 60.0, peep_set={"value": None, "status": "sensor-off"})
    assert new.peep_set is None
    assert not is_same(known, new)


def test_a_questionable_setting_is_not_used_and_changes_nothing() -> None:
    known = say(None, 0.0, **ALL)
    doubted = {**quantity(900.0, "mL/min"), "status": "questionable"}
    new = say(known, 60.0, fresh_gas_flow=doubted)
    assert new.fresh_gas_flow == 600.0
    assert is_same(known, new)
    assert new.changed_ms == known.changed_ms
    assert say(None, 0.0, fresh_gas_flow=doubted).fresh_gas_flow is None


def test_the_same_again_changes_only_when_it_was_heard() -> None:
    first = say(None, 0.0, **ALL)
    turned = say(first, 10.0, te_set=quantity(4.0, "s"))
    again = say(turned, 70.0, te_set=quantity(4.0, "s"))
    assert is_same(turned, again)
    heard = {
        "at_ms": again.at_ms,
        "received_ms": START_MS + 70_020,
        "reference": "ventilator:70",
    }
    assert again == replace(turned, **heard)
    assert again.jump == turned.jump == Jump(START_MS + 10_020, 0.0, 2.0, 1.0)


def test_a_change_dates_anew_but_only_another_mode_dates_the_mode() -> None:
    known = say(None, 0.0, **ALL)
    turned = say(known, 10.0, pip_target=quantity(17.0, "cm[H2O]"))
    assert (turned.changed_ms, turned.mode_since_ms) == (START_MS + 10_020, START_MS + 20)
    other = say(turned, 20.0, mode="spontaneous")
    assert (other.changed_ms, other.mode_since_ms) == (START_MS + 20_020, START_MS + 20_020)


def test_a_jump_tells_only_what_was_known_before_and_after() -> None:
    known = say(None, 0.0, te_set=None, fresh_gas_flow=None)
    turned = say(known, 10.0, pip_target=quantity(17.0, "cm[H2O]"))
    assert turned.jump == Jump(START_MS + 10_020, 5.0, None, None)


@pytest.mark.parametrize(
    ("changes", "factor"),
    [
        ({}, 1.0),
        ({"pip_target": 20.0, "te_set": 1.0, "apparatus_dead_space": 2.0}, 1.0),
        ({"fresh_gas_flow": 900.0}, 1.5),
        ({"fresh_gas_flow": None}, None),
        ({"fresh_gas_flow": 0.0}, None),
        # Breaths at another PEEP, in another circuit, or of the animal itself are other breaths.
        ({"fresh_gas_flow": 900.0, "mode": "spontaneous"}, None),
        ({"fresh_gas_flow": 900.0, "peep_set": 5.0}, None),
        ({"fresh_gas_flow": 900.0, "circuit_compliance": 0.6}, None),
    ],
)
def test_a_baseline_is_carried_over_by_the_flow_alone(
    changes: dict[str, Any], factor: float | None
) -> None:
    known = say(None, 0.0, **ALL)
    assert flow_factor(known, replace(known, **changes)) == factor


def test_without_settings_before_no_baseline_is_carried_over() -> None:
    assert flow_factor(None, say(None, 0.0)) is None
