"""From a drawn case to a place of the simulator."""

from __future__ import annotations

from typing import Any, Final

from adapters.evaluation.animals import MIXING, expected_volume_ml
from adapters.evaluation.population import Case
from adapters.simulator.scenario import PlaceSpec
from service.physiology.gas_exchange import arterial_co2_mmhg

WARD: Final = "evaluation"
#: All cases begin at this moment (ms since 1970): 2026-01-01T00:00:00Z.
START_MS: Final = 1_767_225_600_000
_S_PER_MIN: Final = 60.0
#: A pull of this share of the target makes a first breath of one's own (our choice).
_EFFORT_SHARE: Final = 0.6


def place_of(case: Case) -> PlaceSpec:
    """The place whose story is the case."""
    animal = case.animal
    plan = case.fault.plan if case.fault is not None else None
    return PlaceSpec.model_validate(
        {
            "place": case.place,
            "device": f"sim-{case.number}",
            "patient": {
                "name": f"Simulated {case.number}",
                "species": animal.species.name,
                "class": animal.species.class_,
                "mass_kg": animal.mass_kg,
            },
            "settings": animal.settings,
            "circuit": animal.circuit,
            "lung": animal.lung,
            "gas": {
                "co2_output_ml_per_min": animal.co2_output,
                "oxygen_uptake_ml_per_min": animal.oxygen_uptake,
            },
            "drive": _drive(case),
            "monitor": _monitor(case),
            "power": (plan.power if plan is not None else None) or {},
            "events": events_of(case),
        }
    )


def events_of(case: Case) -> list[dict[str, Any]]:
    """All events of the case, in order of time."""
    events = [event for happening in case.happenings for event in happening.events]
    if case.fault is not None:
        events += _from_where_it_is(case)
        if case.fault.ends_s is not None:
            events += [{**event, "at_s": case.fault.ends_s} for event in case.fault.plan.mended]
    return sorted(events, key=lambda event: float(event["at_s"]))


def _from_where_it_is(case: Case) -> list[dict[str, Any]]:
    """A fault of the chest goes on from what position has left of its compliance."""
    assert case.fault is not None  # noqa: S101 (asked by the caller)
    factors = [
        event["factor"]
        for happening in case.happenings
        for event in happening.events
        if event["kind"] == "compliance"
    ]
    usual = factors[-1] if factors else 1.0
    return [
        {**event, "factor": event["factor"] * usual} if event["kind"] == "compliance" else event
        for event in case.fault.plan.events
    ]


def _drive(case: Case) -> dict[str, float]:
    animal = case.animal
    given = dict((case.fault.plan.drive if case.fault is not None else None) or {})
    over = given.pop("threshold_over_mmhg", case.drive_over_mmhg)
    effort = _EFFORT_SHARE * animal.settings.pip_target_cmh2o
    return {
        "co2_threshold_mmhg": settled_co2_mmhg(case) + over,
        "rate_per_min": animal.own_rate,
        "effort_cmh2o": effort,
        **given,
    }


def settled_co2_mmhg(case: Case) -> float:
    """About where blood CO2 stands while all is well (mmHg): alveolar gas and the step to blood."""
    animal = case.animal
    volume, ti_s = expected_volume_ml(animal.settings, animal.circuit, animal.lung)
    rate = _S_PER_MIN / (ti_s + animal.settings.te_set_s)
    alveolar = rate * (volume - MIXING * animal.lung.dead_space_ml)
    return arterial_co2_mmhg(animal.co2_output, alveolar) + 6.0


def _monitor(case: Case) -> dict[str, float]:
    sensors, animal = case.sensors, case.animal
    return {
        "paw_hz": sensors.paw_hz,
        "paw_block_s": sensors.paw_block_s,
        "co2_hz": sensors.co2_hz,
        "co2_block_s": sensors.co2_block_s,
        "paw_noise_cmh2o": sensors.paw_noise_cmh2o,
        "co2_noise_mmhg": sensors.co2_noise_mmhg,
        "co2_rise_10_90_s": sensors.co2_rise_10_90_s,
        "co2_hold_s": max(4.0, 2.0 * animal.settings.te_set_s),
        "pulse_rate_per_min": animal.pulse,
        "temperature_c": animal.temperature_c,
    }
