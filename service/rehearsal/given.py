"""Readings of a scenario as the messages that a monitor and a ventilator would send."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from rules.engine.guard import FactValue
from service.instants import to_text
from service.intake import Arrival
from service.outbound import encode
from service.quantities import MASS, NUMERICS, POWER, SETTINGS
from service.rehearsal.looks import PATIENT, instant
from service.rehearsal.reading_timeline import READINGS
from service.rehearsal.running import PLACE, WARD
from service.rehearsal.scenario import Animal, Readings, Scenario

#: What changes seldom is sent at a change and this often (s), as the wire asks.
_AGAIN_S: Final = 60


def arrivals_of(scenario: Scenario, readings: Readings) -> list[Arrival]:
    """The messages of the scenario, received when they are sent, in order."""
    return list(_Device(scenario, readings).messages())


class _Device:
    """Sends what is given, second by second."""

    def __init__(self, scenario: Scenario, readings: Readings) -> None:
        self._scenario, self._series = scenario, readings.series
        self._seq = 0
        self._sent: dict[str, tuple[Mapping[str, Any], int]] = {}

    def messages(self) -> Iterator[Arrival]:
        for second in range(int(self._scenario.lasts_s) + 1):
            values = {name: series.at(float(second)) for name, series in self._series.items()}
            yield from self._seldom("patient", self._patient(values), second)
            yield from self._seldom("settings", _settings(values), second)
            yield from self._seldom("power", _power(values), second)
            numerics = {n: _quantity(n, value) for n, value in values.items() if n in NUMERICS}
            if numerics:
                yield self._message("numerics", {"values": numerics}, second)

    def _seldom(self, kind: str, body: Mapping[str, Any], second: int) -> Iterator[Arrival]:
        before = self._sent.get(kind)
        if body and (before is None or before[0] != body or second - before[1] >= _AGAIN_S):
            self._sent[kind] = (body, second)
            yield self._message(kind, body, second)

    def _message(self, kind: str, body: Mapping[str, Any], second: int) -> Arrival:
        self._seq += 1
        now_ms = instant(float(second))
        envelope = {
            "schema": 1, "device": "the scenario", "epoch": "1", "seq": self._seq,
            "at": to_text(now_ms),
        }  # fmt: skip
        return Arrival(now_ms, f"tidewarden/1/{WARD}/{PLACE}/{kind}", encode({**envelope, **body}))

    def _patient(self, values: Mapping[str, FactValue | None]) -> dict[str, Any]:
        animal: Animal = self._scenario.animal
        body: dict[str, Any] = {
            "patient": PATIENT,
            "species": animal.species,
            "class": animal.class_,
            "phase": values.get("phase") or animal.phase,
        }
        if animal.mass_kg is not None:
            body["mass"] = {"value": animal.mass_kg, "unit": MASS.unit}
        return body


def _settings(values: Mapping[str, FactValue | None]) -> dict[str, Any]:
    body: dict[str, Any] = {
        name: _quantity(name, value) for name, value in values.items() if name in SETTINGS
    }
    if values.get("mode") is not None:
        body["mode"] = values["mode"]
    return body


def _power(values: Mapping[str, FactValue | None]) -> dict[str, Any]:
    body: dict[str, Any] = {
        name: _quantity(name, value) for name, value in values.items() if name in POWER
    }
    if body or values.get("supply") is not None:
        body["supply"] = values.get("supply") or "battery"
    return body


def _quantity(name: str, value: FactValue | None) -> dict[str, Any]:
    if value is None:
        return {"value": None, "status": "sensor-off"}
    return {"value": value, "unit": READINGS[name].unit}
