"""The facts of one place at one moment: a flat snapshot, each value current or absent with reason.

Names and units are those of `rules.vocabulary`. Ages and windows are counted here, from the given
moment, so rules only compare. A value that is too old is absent: stale data never looks fresh.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from statistics import median
from typing import Final

from service.bedside import Bedside, Channel
from service.supply import journey_needs, minutes_left

FactValue = float | bool | str

#: How long a value stands after it was received (s).
WAVE_FRESH_S: Final = 3.0
NUMERIC_FRESH_S: Final = 10.0
SETTINGS_FRESH_S: Final = 180.0
POWER_FRESH_S: Final = 120.0
#: An end-tidal value or a breath older than this no longer describes the animal (s).
BREATH_FRESH_S: Final = 60.0
#: End-tidal CO2 this much under the last breath's is a fall; so many in a row make a run.
FALL_SHARE: Final = 0.03


@dataclass(slots=True)
class FactSet:
    """Values by fact name, and for each absent fact why it is absent."""

    values: dict[str, FactValue] = field(default_factory=dict)
    unknown: dict[str, str] = field(default_factory=dict)

    def put(self, name: str, value: FactValue | None, why_absent: str = "never received") -> None:
        """Set a fact, or note why it has no value."""
        if value is None:
            self.unknown[name] = why_absent
        else:
            self.values[name] = value


def facts_of(bedside: Bedside, now_ms: int) -> FactSet:
    """All facts of the place at `now_ms`."""
    facts = FactSet()
    _patient(bedside, facts)
    _settings(bedside, now_ms, facts)
    _pressure(bedside, now_ms, facts)
    _against_baseline(bedside, facts)
    _co2(bedside, now_ms, facts)
    _breathing(facts)
    _numerics(bedside, now_ms, facts)
    _power(bedside, now_ms, facts)
    _data(bedside, now_ms, facts)
    return facts


def _patient(bedside: Bedside, facts: FactSet) -> None:
    patient = bedside.patient
    facts.put("patient.class", patient.class_ if patient else None)
    facts.put("patient.species", patient.species if patient else None)
    facts.put("patient.phase", patient.phase if patient else None)
    facts.put("patient.mass", patient.mass_kg if patient else None)


def _settings(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
    settings = bedside.settings
    names = ("mode", "pip_target", "te_set", "fresh_gas_flow", "peep_set")
    why = "never received"
    if settings is not None:
        age_s = (now_ms - settings.received_ms) / 1000.0
        if age_s > SETTINGS_FRESH_S:
            settings, why = None, f"last received {_ago(age_s)}"
    for name in names:
        facts.put(f"settings.{name}", getattr(settings, name) if settings else None, why)
    changed = (now_ms - settings.changed_ms) / 1000.0 if settings else None
    facts.put("settings.unchanged_for", changed, why)


_PRESSURE_FACTS: Final = (
    "paw.pip", "paw.pip_median_5", "paw.pip_over_target", "paw.baseline", "paw.mean",
    "paw.max_5s", "paw.max_10s", "paw.max_10s_over_target", "paw.sustained", "breath.ti",
    "breath.te", "breath.rr", "breath.ie", "breath.count_60s", "breath.since", "breath.overdue",
    "volume.tidal", "volume.per_kg",
)  # fmt: skip


def _pressure(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
    now_s = _current(bedside.paw, now_ms, "airway pressure", _PRESSURE_FACTS, facts)
    if now_s is None:
        return
    target = facts.values.get("settings.pip_target")
    for seconds in (5, 10):
        window = bedside.paw.extremes.over(now_s, seconds)
        facts.put(f"paw.max_{seconds}s", window[1] if window else None, "no sample")
    highest = facts.values.get("paw.max_10s")
    facts.put("paw.max_10s_over_target", _difference(highest, target), "no target known")
    inspiring = bedside.finder.inspiring_since
    facts.put("paw.sustained", 0.0 if inspiring is None else max(0.0, now_s - inspiring))
    facts.put(
        "breath.count_60s",
        float(sum(1 for i in bedside.inflations if now_s - i.start_s <= 60.0)),
    )
    _last_inflation(bedside, now_s, facts)


def _last_inflation(bedside: Bedside, now_s: float, facts: FactSet) -> None:
    names = ("paw.pip", "paw.pip_median_5", "paw.pip_over_target", "paw.baseline", "breath.ti",
             "volume.tidal", "volume.per_kg")  # fmt: skip
    begun = bedside.finder.inspiring_since
    last = bedside.inflations[-1] if bedside.inflations else None
    if last is None and begun is None:
        for name in (*names, "breath.te", "breath.rr", "breath.ie", "breath.overdue", "paw.mean"):
            facts.put(name, None, "no inflation seen yet")
        facts.put("breath.since", now_s - (bedside.paw.begun_s or now_s))
        return
    starts = [begun] if begun is not None else []
    starts += [last.start_s] if last is not None else []
    since_s = max(0.0, now_s - max(starts))
    facts.put("breath.since", since_s)
    usual_s = bedside.usual_period_s()
    facts.put("breath.overdue", since_s / usual_s if usual_s else None, "rate not known yet")
    if last is None or now_s - last.start_s > BREATH_FRESH_S:
        for name in (*names, "breath.te", "breath.rr", "breath.ie", "paw.mean"):
            facts.put(name, None, "no inflation in the last minute")
        return
    target = facts.values.get("settings.pip_target")
    recent = list(bedside.inflations)[-5:]
    facts.put("paw.pip", last.pip_cmh2o)
    facts.put("paw.pip_median_5", median(i.pip_cmh2o for i in recent))
    facts.put("paw.pip_over_target", _difference(last.pip_cmh2o, target), "no target known")
    facts.put("paw.baseline", last.baseline_cmh2o)
    facts.put("breath.ti", last.ti_s)
    volume = bedside.tidal_volume_ml(last)
    facts.put("volume.tidal", volume, "fresh gas flow not known")
    mass = bedside.patient.mass_kg if bedside.patient else None
    per_kg = volume / mass if volume is not None and mass else None
    facts.put("volume.per_kg", per_kg, "fresh gas flow or mass not known")
    _timing(bedside, facts)


def _timing(bedside: Bedside, facts: FactSet) -> None:
    periods = [i.period_s for i in list(bedside.inflations)[-5:] if i.period_s is not None]
    facts.put("breath.rr", 60.0 / median(periods) if periods else None, "one breath only")
    breath = bedside.last_breath
    te_s = breath.te_s if breath else None
    facts.put("breath.te", te_s, "not known for the last breath")
    ie = te_s / breath.inflation.ti_s if breath and te_s is not None else None
    facts.put("breath.ie", ie, "not known for the last breath")
    mean = breath.mean_cmh2o if breath else None
    facts.put("paw.mean", mean, "not known for the last breath")


def _against_baseline(bedside: Bedside, facts: FactSet) -> None:
    names = ("ti.ratio_to_baseline", "slope.ratio_to_baseline", "step.over_baseline",
             "volume.ratio_to_baseline")  # fmt: skip
    learnt = bedside.pressure_baseline.learnt
    facts.put("ti.baseline", learnt.get("ti"), "still learning what is usual")
    if "breath.ti" not in facts.values or not learnt:
        why = facts.unknown.get("breath.ti", "still learning what is usual")
        for name in names:
            facts.put(name, None, why)
        return
    last = list(bedside.inflations)[-3:]
    facts.put(names[0], _ratio([i.ti_s for i in last], learnt.get("ti")))
    slopes = [i.slope_cmh2o_per_s for i in last if i.slope_cmh2o_per_s is not None]
    facts.put(names[1], _ratio(slopes, learnt.get("slope")), "ramp too short to read")
    steps = [i.step_cmh2o for i in last if i.step_cmh2o is not None]
    usual_step = learnt.get("step")
    over = median(steps) - usual_step if steps and usual_step is not None else None
    facts.put(names[2], over, "ramp too short to read")
    volumes = [v for v in map(bedside.tidal_volume_ml, last) if v is not None]
    facts.put(names[3], _ratio(volumes, learnt.get("volume")), "fresh gas flow not known")


_CO2_FACTS: Final = ("co2.rr", "co2.since_breath", "co2.max_10s", "co2.swing_10s", "fico2")
_ETCO2_FACTS: Final = ("etco2", "etco2.min_30s", "etco2.falls_in_a_row", "etco2.fall_of_run",
                       "etco2.ratio_to_baseline")  # fmt: skip


def _co2(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
    now_s = _current(bedside.co2, now_ms, "CO2", _CO2_FACTS, facts)
    if now_s is not None:
        window = bedside.co2.extremes.over(now_s, 10)
        facts.put("co2.max_10s", window[1] if window else None, "no sample")
        facts.put("co2.swing_10s", window[1] - window[0] if window else None, "no sample")
        _co2_breaths(bedside, now_s, facts)
    elif bedside.co2.end_s is not None:
        # The waveform stopped: what it said last no longer counts.
        for name in _ETCO2_FACTS:
            facts.put(name, None, facts.unknown["co2.rr"])
        return
    _end_tidal(bedside, now_ms, facts)


def _co2_breaths(bedside: Bedside, now_s: float, facts: FactSet) -> None:
    if not bedside.co2_breaths:
        for name in ("co2.rr", "fico2"):
            facts.put(name, None, "no breath seen in CO2 yet")
        facts.put("co2.since_breath", now_s - (bedside.co2.begun_s or now_s))
        return
    last = bedside.co2_breaths[-1]
    since_s = max(0.0, now_s - last.end_s)
    facts.put("co2.since_breath", since_s)
    periods = [b.period_s for b in list(bedside.co2_breaths)[-5:] if b.period_s is not None]
    fresh = since_s <= BREATH_FRESH_S
    why = "no breath seen in CO2 in the last minute"
    facts.put("co2.rr", 60.0 / median(periods) if periods and fresh else None, why)
    facts.put("fico2", last.fico2_mmhg if fresh else None, why)


def _end_tidal(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
    last = bedside.expired[-1] if bedside.expired else None
    if last is None or now_ms - last.seen_ms > BREATH_FRESH_S * 1000.0:
        why = "no breath seen in CO2 in the last minute" if last else "never received"
        for name in _ETCO2_FACTS:
            facts.put(name, None, why)
        return
    facts.put("etco2", last.etco2_mmhg)
    recent = [e.etco2_mmhg for e in bedside.expired if now_ms - e.seen_ms <= 30_000]
    facts.put("etco2.min_30s", min(recent) if recent else None, "no breath in the last 30 s")
    usual = bedside.co2_baseline.learnt.get("etco2")
    facts.put(
        "etco2.ratio_to_baseline",
        last.etco2_mmhg / usual if usual else None,
        "still learning what is usual",
    )
    falls, share = _falls(bedside)
    facts.put("etco2.falls_in_a_row", float(falls))
    facts.put("etco2.fall_of_run", share)


def _falls(bedside: Bedside) -> tuple[int, float]:
    """How many breaths in a row came lower than the one before, and by what share in all."""
    values = [e.etco2_mmhg for e in bedside.expired if e.from_waveform]
    falls = 0
    while falls + 1 < len(values) and values[-1 - falls] <= values[-2 - falls] * (1 - FALL_SHARE):
        falls += 1
    if falls == 0:
        return 0, 0.0
    return falls, 1.0 - values[-1] / values[-1 - falls]


def _breathing(facts: FactSet) -> None:
    """Time since any breath; while one of the two signals is missing, the other speaks."""
    seen = [
        value
        for name in ("breath.since", "co2.since_breath")
        if isinstance(value := facts.values.get(name), float)
    ]
    facts.put("breathing.since", min(seen) if seen else None, "neither signal is there")


def _numerics(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
    for name in ("spo2", "pulse_rate", "temperature"):
        reading = bedside.numerics.get(name)
        if reading is None:
            facts.put(name, None)
            continue
        age_s = (now_ms - reading.received_ms) / 1000.0
        if age_s > NUMERIC_FRESH_S:
            facts.put(name, None, f"last received {_ago(age_s)}")
        else:
            facts.put(name, reading.value, (reading.status or "no value").replace("-", " "))


def _power(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
    names = ("power.supply", "battery.charge", "battery.minutes_left")
    last = bedside.power[-1] if bedside.power else None
    why = "never received"
    if last is not None and now_ms - last.received_ms > POWER_FRESH_S * 1000.0:
        why, last = f"last received {_ago((now_ms - last.received_ms) / 1000.0)}", None
    if last is None:
        for name in names:
            facts.put(name, None, why)
    else:
        facts.put("power.supply", last.supply)
        facts.put("battery.charge", last.charge_percent)
        left, why = minutes_left(bedside.power)
        facts.put("battery.minutes_left", left, why)
    _journey(bedside, now_ms, facts)


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


def _data(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
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


def _current(
    channel: Channel, now_ms: int, what: str, names: tuple[str, ...], facts: FactSet
) -> float | None:
    """Device time now, when the channel is fresh; otherwise all `names` are absent."""
    now_s = channel.now_s(now_ms)
    if now_s is None or channel.received_ms is None:
        why = f"{what} never received"
    else:
        age_s = (now_ms - channel.received_ms) / 1000.0
        if age_s <= WAVE_FRESH_S:
            return now_s
        why = f"{what} last received {_ago(age_s)}"
    for name in names:
        facts.put(name, None, why)
    return None


def _ratio(values: list[float], usual: float | None) -> float | None:
    return median(values) / usual if values and usual else None


def _difference(value: FactValue | None, reference: FactValue | None) -> float | None:
    if isinstance(value, float) and isinstance(reference, float):
        return value - reference
    return None


def _ago(age_s: float) -> str:
    return f"{age_s:.0f} s ago" if age_s < 120 else f"{age_s / 60:.0f} min ago"


def sources_of(bedside: Bedside, names: set[str]) -> Iterator[tuple[str, str]]:
    """For each fact named, the messages it rests on, as (fact, `device:epoch:seq`)."""
    for name in sorted(names):
        for reference in sorted(set(_references(bedside, name))):
            yield name, reference


def _references(bedside: Bedside, name: str) -> list[str]:
    group = name.split(".")[0]
    breaths = [i.reference for i in list(bedside.inflations)[-5:]]
    by_group = {
        "patient": [bedside.patient.reference] if bedside.patient else [],
        "settings": [bedside.settings.reference] if bedside.settings else [],
        "paw": [*breaths, bedside.paw.reference],
        "breath": [*breaths, bedside.paw.reference],
        "ti": breaths,
        "slope": breaths,
        "step": breaths,
        "volume": [*breaths, bedside.settings.reference if bedside.settings else ""],
        "breathing": [bedside.paw.reference, bedside.co2.reference],
        "etco2": [e.reference for e in list(bedside.expired)[-5:]],
        "fico2": [b.reference for b in list(bedside.co2_breaths)[-1:]],
        "co2": [bedside.co2.reference],
        "battery": [p.reference for p in list(bedside.power)[-6:]],
        "power": [p.reference for p in list(bedside.power)[-1:]],
        "journey": [bedside.journey.reference] if bedside.journey else [],
    }
    reading = bedside.numerics.get(name)
    found = by_group.get(group, [reading.reference] if reading else [])
    return [reference for reference in found if reference]
