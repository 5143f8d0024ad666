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
from service.journeys import journey_needs, spare_minutes
from service.known import Reading, SettingsInfo
from service.losses import WINDOW_MS

#: What a confirmed change did is told for so long.
JUMP_KNOWN_MS: Final = 120_000

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
    facts.put("patient.mass_known", patient.mass_kg is not None if patient else None)


def settings_facts(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
    settings = bedside.settings
    names = ("mode", "pip_target", "te_set", "fresh_gas_flow", "peep_set", "apparatus_dead_space")
    why = "never received"
    if settings is not None:
        age_s = (now_ms - settings.received_ms) / 1000.0
        if age_s > SETTINGS_FRESH_S:
            settings, why = None, f"last received {since(age_s)} ago"
    for name in names:
        facts.put(f"settings.{name}", getattr(settings, name) if settings else None, why)
    changed = (now_ms - settings.changed_ms) / 1000.0 if settings else None
    facts.put("settings.unchanged_for", changed, why)
    mode_for = (now_ms - settings.mode_since_ms) / 1000.0 if settings else None
    facts.put("settings.mode_for", mode_for, why)
    mass = facts.values.get("patient.mass")
    flow = settings.fresh_gas_flow if settings else None
    per_kg = flow / mass if flow is not None and isinstance(mass, float) and mass else None
    not_known = "fresh gas flow or mass not known" if settings else why
    facts.put("settings.flow_per_kg", per_kg, not_known)
    _jumps(settings, now_ms, facts, "no change in the last two minutes" if settings else why)


def _jumps(settings: SettingsInfo | None, now_ms: int, facts: FactSet, why: str) -> None:
    jump = settings.jump if settings else None
    if jump is not None and now_ms - jump.at_ms > JUMP_KNOWN_MS:
        jump = None
    for name in ("pip_target", "te_set", "fresh_gas_flow"):
        value = getattr(jump, name) if jump else None
        facts.put(f"settings.{name}_jump", value, why)


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
    gas_facts(bedside, now_ms, facts)


def gas_facts(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
    """Facts of the gas that is fed in."""
    for fact, name in (("gas.supply_pressure", "gas_supply_pressure"), ("gas.fio2", "fio2")):
        reading = bedside.numerics.get(name)
        fresh = reading is not None and now_ms - reading.received_ms <= 1000 * NUMERIC_FRESH_S
        why = "never received" if reading is None else "no current value"
        facts.put(fact, reading.value if reading is not None and fresh else None, why)
    now, usual = facts.values.get("gas.supply_pressure"), bedside.supply_pressure.usual_kpa
    known = now / usual if isinstance(now, float) and usual else None
    facts.put("gas.supply_pressure_ratio", known, "no pressure, or still learning what is usual")


def power_facts(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
    names = ("power.supply", "battery.charge", "power.not_charging_for", *_BATTERY)
    last = bedside.power[-1] if bedside.power else None
    why = "never received"
    if last is not None and now_ms - last.received_ms > POWER_FRESH_S * 1000.0:
        why, last = f"last received {since((now_ms - last.received_ms) / 1000.0)} ago", None
    if last is None:
        facts.absent(names, why)
    else:
        facts.put("power.supply", last.supply)
        facts.put("battery.charge", last.charge_percent, "charge not sent")
        idle_ms = bedside.charging.idle_since_ms
        facts.put("power.not_charging_for", 0.0 if idle_ms is None else (now_ms - idle_ms) / 1000.0)
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
    names = ("journey.leaves_in", "journey.minutes_needed", "journey.spare_minutes",
             "journey.spare_minutes_low")  # fmt: skip
    needs = journey_needs(bedside.journey, now_ms)
    if needs is None:
        facts.absent(names, "no journey planned")
        return
    leaves_in, needed = needs
    facts.put("journey.leaves_in", leaves_in)
    facts.put("journey.minutes_needed", needed)
    on_battery = facts.values.get("power.supply") == "battery"
    for end in ("", "_low"):
        left = facts.values.get(f"battery.minutes_left{end}")
        known = left if isinstance(left, float) else None
        spare = spare_minutes(known, leaves_in, needed, on_battery=on_battery)
        why = facts.unknown.get(f"battery.minutes_left{end}", "")
        facts.put(f"journey.spare_minutes{end}", spare, why)


def data_facts(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
    heard = bedside.last_device_ms
    facts.put("data.any_age", None if heard is None else (now_ms - heard) / 1000.0)
    for name, source in (
        ("paw", bedside.paw),
        ("co2", bedside.co2),
        ("spo2", bedside.numerics.get("spo2")),
        ("settings", bedside.settings),
    ):
        received = None if source is None else source.received_ms
        facts.put(f"data.{name}_age", None if received is None else (now_ms - received) / 1000.0)
    facts.put("data.lost_60s", float(bedside.losses.lost(now_ms)))
    facts.put("data.lost_share_60s", bedside.losses.share(now_ms), "nothing heard for a minute")
    facts.put(
        "data.refused_60s", float(sum(1 for ms, _ in bedside.refused if ms > now_ms - WINDOW_MS))
    )
    _devices(bedside, now_ms, facts)
    skew = min(bedside.skews_ms, key=abs) / 1000.0 if bedside.skews_ms else None
    facts.put("data.clock_skew", skew)


def _devices(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
    presence = bedside.presence
    facts.put("data.devices_60s", float(presence.measuring(now_ms)))
    facts.put("data.patients_claimed_60s", float(presence.patients(now_ms)))
    facts.put("data.restarts_10min", float(presence.restarts(now_ms)))
    now_s = bedside.paw.now_s(now_ms)
    samples, lost = (0, 0) if now_s is None else bedside.paw_watched.counts(now_s, 10.0)
    facts.put("data.paw_missing_10s", lost / samples if samples else None, "no pressure received")
    pressure = bedside.numerics.get("pip")
    said = _said_by_sensor(pressure, now_ms)
    if said in (None, "ok") and samples:
        # A monitor that sends no peak pressure says it by its samples.
        said = "sensor-off" if lost == samples else "ok"
    facts.put("sensor.paw", said, "nothing said of late")
    for name, numeric in (("co2", "etco2"), ("spo2", "spo2")):
        reading = bedside.numerics.get(numeric)
        facts.put(f"sensor.{name}", _said_by_sensor(reading, now_ms), "nothing said of late")


def _said_by_sensor(reading: Reading | None, now_ms: int) -> str | None:
    if reading is None or now_ms - reading.received_ms > 1000 * NUMERIC_FRESH_S:
        return None
    return reading.status or "ok"
