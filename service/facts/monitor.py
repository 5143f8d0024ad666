"""Facts that follow from a monitor's numerics: doubt about them, and what saturation means."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

from service.bedside import Bedside
from service.facts.factset import FactSet
from service.known import PatientInfo
from service.physiology import oxygen
from service.physiology.allometry import expected, plausible_range
from service.physiology.uncertain import Uncertain

#: Colder or warmer than this (C) no animal is under anaesthesia (from memory).
TEMPERATURES_C: Final = (2.0, 45.0)
#: A heart does not beat so many times faster than the line of its class (our suggestion).
IMPOSSIBLE_PULSE: Final = 3.0
MINUTES_PER_HOUR: Final = 60.0
#: Over this saturation (%) the curve is flat: PO2 may be anything higher.
FLAT_PERCENT: Final = 97.0
#: A saturation is shown in whole percents: so much may be hidden either way.
ROUNDING_PERCENT: Final = 0.5

_PO2_FACTS: Final = ("spo2.po2_equivalent", "spo2.po2_equivalent_low", "spo2.po2_equivalent_high")


def doubt_about(bedside: Bedside, name: str, value: float, now_ms: int) -> str | None:
    """Why this current reading of the monitor is not to be used, if so."""
    match name:
        case "spo2":
            return bedside.vitals.spo2.doubted(now_ms)
        case "temperature":
            low, high = TEMPERATURES_C
            if not low <= value <= high:
                return f"a temperature of {value:.1f} °C cannot be: probe out of place?"
            return bedside.vitals.temperature.doubted(now_ms)
        case "pulse_rate" if _impossible_pulse(bedside.patient, value):
            return f"a pulse rate of {value:.0f} /min cannot be in this patient: probe?"
    return None


def vital_facts(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
    """All `spo2.` facts, from saturation, pulse, temperature and settings as put before."""
    _late_sign(facts)
    _pulse_and_temperature(bedside, now_ms, facts)
    spo2 = facts.values.get("spo2")
    if not isinstance(spo2, float):
        facts.absent(("spo2.slope_60s", "spo2.doubtful", *_PO2_FACTS), facts.unknown["spo2"])
        return
    slope = bedside.vitals.spo2_slope_per_min
    facts.put("spo2.slope_60s", slope, "less than 20 s of readings")
    doubtful, why = _doubtful(bedside, now_ms, facts)
    facts.put("spo2.doubtful", doubtful, why)
    _po2_equivalent(bedside.patient, spo2, facts)


def _pulse_and_temperature(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
    pulse, patient = facts.values.get("pulse_rate"), bedside.patient
    line = None
    if patient is not None and patient.mass_kg is not None:
        line = expected("heart_rate_per_min", patient.class_, patient.mass_kg)
    ratio = pulse / line if line is not None and isinstance(pulse, float) else None
    facts.put("pulse.over_expected", ratio, "no pulse rate, or none to expect known")
    slope = bedside.temperature_trend.slope_at(now_ms) if "temperature" in facts.values else None
    per_h = None if slope is None else MINUTES_PER_HOUR * slope
    facts.put("temperature.slope_per_h", per_h, "no temperature, or less than two minutes of it")


def _late_sign(facts: FactSet) -> None:
    flow = facts.values.get("settings.fresh_gas_flow")
    if not isinstance(flow, float):
        why = facts.unknown["settings.fresh_gas_flow"]
        facts.put("spo2.late_sign", None, f"fresh gas flow: {why}")
        return
    # What the gas is, is not on the wire: on a T-piece fresh gas is taken for oxygen.
    known = True if flow > 0.0 else None
    facts.put("spo2.late_sign", known, "no fresh gas: what is breathed is not known")


def _doubtful(bedside: Bedside, now_ms: int, facts: FactSet) -> tuple[bool | None, str]:
    """Whether the pulse that goes with the saturation speaks against it, or why that is unknown."""
    reading = bedside.numerics.get("pulse_rate")
    if "pulse_rate" not in facts.values:
        if reading and reading.value and _impossible_pulse(bedside.patient, reading.value):
            return True, ""
        return None, f"pulse rate: {facts.unknown['pulse_rate']}"
    if bedside.vitals.pulse_stuck(now_ms):
        return True, ""
    patient = bedside.patient
    if patient is None or patient.mass_kg is None:
        return None, "mass not known, so not what pulse rate to expect"
    band = plausible_range("heart_rate_per_min", patient.class_, patient.mass_kg)
    pulse = facts.values["pulse_rate"]
    if band is None or not isinstance(pulse, float):
        return None, f"what pulse rate to expect in a {patient.class_} is not known"
    return not band[0] <= pulse <= band[1], ""


def _impossible_pulse(patient: PatientInfo | None, pulse_per_min: float) -> bool:
    if patient is None or patient.mass_kg is None:
        return False
    line = expected("heart_rate_per_min", patient.class_, patient.mass_kg)
    return line is not None and pulse_per_min > IMPOSSIBLE_PULSE * line


def _po2_equivalent(patient: PatientInfo | None, spo2: float, facts: FactSet) -> None:
    p50, why = _p50(patient, facts)
    if p50 is None:
        facts.absent(_PO2_FACTS, why)
        return
    low = (min(spo2, FLAT_PERCENT) - ROUNDING_PERCENT) / 100.0
    facts.put("spo2.po2_equivalent_low", oxygen.po2_for_saturation_mmhg(max(0.0, low), p50.low))
    flat = spo2 > FLAT_PERCENT
    value = None if flat else oxygen.po2_for_saturation_mmhg(spo2 / 100.0, p50.value)
    high = (spo2 + ROUNDING_PERCENT) / 100.0
    most = None if flat else oxygen.po2_for_saturation_mmhg(high, p50.high)
    why = f"over {FLAT_PERCENT:.0f} % the curve is flat: PO2 may be anything higher"
    facts.put("spo2.po2_equivalent", value, why)
    facts.put("spo2.po2_equivalent_high", most, why)


def _p50(patient: PatientInfo | None, facts: FactSet) -> tuple[Uncertain | None, str]:
    if patient is None:
        return None, "patient not known"
    if patient.class_ != "mammal":
        return (
            None,
            f"pulse oximeters are calibrated for human blood: in a {patient.class_} a trend",
        )
    temperature = facts.values.get("temperature", 37.0)
    if not isinstance(temperature, float):
        return None, "temperature is no number"
    return _p50_of(patient.species, patient.mass_kg, temperature), "mass not known"


@lru_cache(maxsize=1024)
def _p50_of(species: str, mass_kg: float | None, temperature_c: float) -> Uncertain | None:
    return oxygen.p50_of(species, mass_kg, temperature_c)
