"""Facts of patient, settings, monitor numerics, power, journey, and of the data themselves."""

from __future__ import annotations

from typing import Final

from service.bedside import Bedside
from service.facts.factset import (
    NUMERIC_FRESH_S,
    POWER_FRESH_S,
    SETTINGS_FRESH_S,
    FactSet,
    since,
)
from service.facts.monitor import doubt_about, vital_facts
from service.journeys import journey_needs

_BATTERY: Final = (
    "battery.minutes_left",
    "battery.minutes_left_low",
    "battery.gauge_doubtful",
)


def patient_facts(bedside: Bedside, facts: FactSet) -> None:
    patient = bedside.patient
    facts.put("patient.class", patient.class_ if patient else None)
    facts.put("patient.species", patient.species if patient else None)
    facts.put("patient.phase", patient.phase if patient else None)
    facts.put("patient.mass", patient.mass_kg if patient else None)


def settings_facts(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
    settings = bedside.settings
    names = ("mode", "pip_target", "te_set", "fresh_gas_flow", "peep_set")
    why = "never received"
    if settings is not None:
        age_s = (now_ms - settings.received_ms) / 1000.0
        if age_s > SETTINGS_FRESH_S:
            settings, why = None, f"last received {since(age_s)} ago"
    for name in names:
        facts.put(f"settings.{name}", getattr(settings, name) if settings else None, why)
    changed = (now_ms - settings.changed_ms) / 1000.0 if settings else None
    facts.put("settings.unchanged_for", changed, why)


def numeric_facts(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
    for name in ("spo2", "pulse_rate", "temperature"):
        reading = bedside.numerics.get(name)
        if reading is None:
            facts.put(name, None)
            continue
        age_s = (now_ms - reading.received_ms) / 1000.0
        if age_s > NUMERIC_FRESH_S:
            facts.put(name, None, f"last received {since(age_s)} ago")
            continue
        value, why = reading.value, (reading.status or "no value").replace("-", " ")
        doubt = None if value is None else doubt_about(bedside, name, value, now_ms)
        facts.put(name, None if doubt else value, doubt or why)
    vital_facts(bedside, now_ms, facts)


def power_facts(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
    names = ("power.supply", "battery.charge", *_BATTERY)
    last = bedside.power[-1] if bedside.power else None
    why = "never received"
    if last is not None and now_ms - last.received_ms > POWER_FRESH_S * 1000.0:
        why, last = f"last received {since((now_ms - last.received_ms) / 1000.0)} ago", None
    if last is None:
        for name in names:
            facts.put(name, None, why)
    else:
        facts.put("power.supply", last.supply)
        facts.put("battery.charge", last.charge_percent, "charge not sent")
        _battery(bedside, now_ms, facts)
    _journey(bedside, now_ms, facts)


def _battery(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
    made = bedside.battery.estimate
    if made is None:
        for name in _BATTERY:
            facts.put(name, None)
        return
    made = made.after(now_ms)
    facts.put("battery.minutes_left", made.minutes, made.why_unknown)
    facts.put("battery.minutes_left_low", made.low, made.why_unknown)
    doubtful = bool(made.doubt) if "battery.charge" in facts.values else None
    facts.put("battery.gauge_doubtful", doubtful, "charge not sent")


def _journey(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
    names = ("journey.leaves_in", "journey.minutes_needed", "journey.spare_minutes")
    needs = journey_needs(bedside.journey, now_ms)
    if needs is None:
        for name in names:
            facts.put(name, None, "no journey planned")
        return
    leaves_in, needed = needs
    facts.put("journey.leaves_in", leaves_in)
    facts.put("journey.minutes_needed", needed)
    left = facts.values.get("battery.minutes_left")
    if not isinstance(left, float):
        facts.put("journey.spare_minutes", None, facts.unknown["battery.minutes_left"])
        return
    on_battery = facts.values.get("power.supply") == "battery"
    before = max(0.0, leaves_in) if on_battery else 0.0
    facts.put("journey.spare_minutes", left - before - needed)


def data_facts(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
    heard = bedside.last_device_ms
    facts.put("data.any_age", None if heard is None else (now_ms - heard) / 1000.0)
    for name, channel in (("paw", bedside.paw), ("co2", bedside.co2)):
        received = channel.received_ms
        facts.put(f"data.{name}_age", None if received is None else (now_ms - received) / 1000.0)
    spo2 = bedside.numerics.get("spo2")
    facts.put("data.spo2_age", None if spo2 is None else (now_ms - spo2.received_ms) / 1000.0)
    since_ms = now_ms - 60_000
    facts.put("data.lost_60s", float(max(0, sum(n for ms, n in bedside.missing if ms > since_ms))))
    facts.put("data.refused_60s", float(sum(1 for ms, _ in bedside.refused if ms > since_ms)))
    skew = min(bedside.skews_ms, key=abs) / 1000.0 if bedside.skews_ms else None
    facts.put("data.clock_skew", skew)
