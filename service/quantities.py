"""What may stand in a reading: its UCUM unit inside Tidewarden and what a sensor can measure.

A value is converted on entry to the unit given here. The bounds are wider than anything an animal
does: a value beyond them is a fault of the device or of its mapping, and the message is refused.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Measured:
    """A measured quantity: UCUM unit, and the lowest and highest value a sensor can give."""

    unit: str
    low: float
    high: float


_PRESSURE = Measured("cm[H2O]", -150.0, 250.0)
_CO2 = Measured("mm[Hg]", -10.0, 200.0)
_RATE = Measured("/min", 0.0, 1500.0)

NUMERICS: Final[Mapping[str, Measured]] = {
    "etco2": _CO2,
    "fico2": _CO2,
    "spo2": Measured("%", 0.0, 100.0),
    "pulse_rate": _RATE,
    "rr": _RATE,
    "pip": _PRESSURE,
    "temperature": Measured("Cel", -5.0, 60.0),
    # Of the CO2 analyser itself: what its sampling line draws, and its 10-90 % rise time.
    "co2_sampling_flow": Measured("mL/min", 0.0, 1000.0),
    "co2_rise_time": Measured("s", 0.001, 5.0),
    # Of the gas that is fed in: pressure of the supply, and the oxygen in it.
    "gas_supply_pressure": Measured("kPa", 0.0, 2000.0),
    "fio2": Measured("%", 0.0, 100.0),
}
SETTINGS: Final[Mapping[str, Measured]] = {
    "pip_target": Measured("cm[H2O]", 0.0, 100.0),
    "te_set": Measured("s", 0.0, 120.0),
    "fresh_gas_flow": Measured("mL/min", 0.0, 50_000.0),
    "peep_set": Measured("cm[H2O]", 0.0, 60.0),
    "circuit_compliance": Measured("mL/cm[H2O]", 0.0, 50.0),
    "apparatus_dead_space": Measured("mL", 0.0, 500.0),
}
POWER: Final[Mapping[str, Measured]] = {
    "charge": Measured("%", 0.0, 100.0),
    "voltage": Measured("V", 0.0, 1000.0),
    "current": Measured("A", -1000.0, 1000.0),
    "capacity": Measured("A.h", 0.0, 10_000.0),
}
MASS: Final = Measured("kg", 0.001, 500.0)
WAVEFORMS: Final[Mapping[str, Measured]] = {
    "paw": _PRESSURE,
    "co2": _CO2,
    "flow": Measured("mL/s", -20_000.0, 20_000.0),
    # A pleth wave has no unit of its own: devices send counts.
    "pleth": Measured("1", -1e9, 1e9),
}
