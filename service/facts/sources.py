"""Which messages a fact rests on."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from service.bedside import Bedside

#: The numeric that a fact of another name rests on.
_NUMERIC: Final = {
    "gas.supply_pressure": "gas_supply_pressure",
    "gas.supply_pressure_ratio": "gas_supply_pressure",
    "gas.fio2": "fio2",
    "pulse.over_expected": "pulse_rate",
    "sensor.co2": "etco2",
    "sensor.spo2": "spo2",
    "sensor.paw": "pip",
}


def sources_of(bedside: Bedside, names: set[str]) -> Iterator[tuple[str, str]]:
    """For each fact named, the messages it rests on, as (fact, `device:epoch:seq`)."""
    for name in sorted(names):
        for reference in sorted(set(_references(bedside, name))):
            yield name, reference


def _references(bedside: Bedside, name: str) -> list[str]:
    group = name.split(".", maxsplit=1)[0]
    breaths = [i.reference for i in list(bedside.inflations)[-5:]]
    battery = [p.reference for p in list(bedside.power)[-6:]]
    by_group = {
        "patient": [bedside.patient.reference] if bedside.patient else [],
        "settings": [bedside.settings.reference] if bedside.settings else [],
        "paw": [*breaths, bedside.paw.reference],
        "breath": [*breaths, bedside.paw.reference],
        "ti": breaths,
        "slope": breaths,
        "step": breaths,
        "change": breaths,
        "lung": [*breaths, bedside.settings.reference if bedside.settings else ""],
        "volume": [*breaths, bedside.settings.reference if bedside.settings else ""],
        "breathing": [bedside.paw.reference, bedside.co2.reference],
        "etco2": [e.reference for e in list(bedside.expired)[-5:]],
        "fico2": [b.reference for b in list(bedside.co2_breaths)[-1:]],
        "co2": [bedside.co2.reference],
        "battery": battery,
        "power": [p.reference for p in list(bedside.power)[-1:]],
        "journey": [
            *([bedside.journey.reference] if bedside.journey else []),
            *(
                [p.reference for p in list(bedside.power)[-6:]]
                if name.startswith("journey.spare_minutes")
                else []
            ),
        ],
    }
    # `spo2.slope_60s` rests on `spo2`.
    name = _NUMERIC.get(name, name)
    reading = bedside.numerics.get(name) or bedside.numerics.get(group)
    found = by_group.get(group, [reading.reference] if reading else [])
    return [reference for reference in found if reference]
