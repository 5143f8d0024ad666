"""Facts of airway pressure and breaths, now and against what is usual."""

from __future__ import annotations

from operator import attrgetter
from statistics import median
from typing import Final

from service.bedside import Bedside
from service.facts.factset import FactSet, Read, current, difference, fresh_s, ratio, since
from service.lung import LungReading
from service.physiology.allometry import Quantity, expected
from service.physiology.uncertain import Uncertain
from service.signals.breaths import Inflation

#: A breath of nothing is all dead space; the share is told up to this.
MOST_SHARE: Final = 10.0
#: Blocks come every 2 s at the longest, and a little late.
ON_ITS_WAY_S: Final = 2.5
#: What the last inflation says, and what the last whole breath says.
_INFLATION_FACTS: Final = (
    "paw.pip", "paw.pip_median_5", "paw.pip_over_target", "paw.baseline", "paw.driving",
    "paw.baseline_over_peep", "breath.ti", "breath.kind", "breath.quality", "breath.step",
    "breath.slope", "breath.bend",
    "breath.time_to_target", "breath.area", "breath.effort",
)  # fmt: skip
_BREATH_FACTS: Final = ("paw.mean", "breath.te", "breath.rr", "breath.rr_over_expected",
                        "breath.ie", "breath.unfinished")  # fmt: skip
_WITH_INTERVAL: Final = ("volume.tidal", "volume.per_kg", "lung.compliance", "lung.resistance")
LUNG_FACTS: Final = (
    "volume.method",
    "lung.compliance_over_expected",
    "volume.dead_space_share",
    "volume.dead_space_share_low",
    "volume.dead_space_share_high",
    *(f"{name}{end}" for name in _WITH_INTERVAL for end in ("", "_low", "_high")),
)
_WAITING_FACTS: Final = ("breath.overdue", "breath.late_for")
_PRESSURE_FACTS: Final = (
    *_INFLATION_FACTS, *_BREATH_FACTS, *LUNG_FACTS, *_WAITING_FACTS, "paw.max_5s", "paw.max_10s",
    "paw.max_10s_over_target", "paw.max_5s_over_target", "paw.frozen_for", "paw.watched_for",
    "paw.min_10s",
    "paw.pip_slope_5min", "paw.sustained", "paw.coverage_10s", "breath.count_60s",
    "breath.since", "breath.efforts_60s",
)  # fmt: skip


def pressure_facts(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
    now_s = current(bedside.paw, now_ms, "airway pressure", _PRESSURE_FACTS, facts)
    if now_s is None:
        return
    target = facts.values.get("settings.pip_target")
    for seconds in (5, 10):
        window = bedside.paw.extremes.over(now_s, seconds)
        facts.put(f"paw.max_{seconds}s", window[1] if window else None, "no sample")
        if seconds == 10:
            facts.put("paw.min_10s", window[0] if window else None, "no sample")
    slope = bedside.pip_trend.slope_at(now_ms)
    facts.put("paw.pip_slope_5min", slope, "less than a minute of even settings")
    for seconds in (5, 10):
        highest = facts.values.get(f"paw.max_{seconds}s")
        over = difference(highest, target)
        facts.put(f"paw.max_{seconds}s_over_target", over, "no target known")
    facts.put("paw.watched_for", bedside.paw.holes.unbroken_for_s(now_s))
    facts.put("paw.frozen_for", bedside.paw_watched.still_for_s(now_s))
    facts.put("paw.coverage_10s", _coverage(bedside, now_s, 10.0))
    inspiring = bedside.finder.inspiring_since
    facts.put("paw.sustained", 0.0 if inspiring is None else max(0.0, now_s - inspiring))
    within = sum(1 for i in bedside.inflations if now_s - i.start_s <= 60.0)
    facts.put("breath.count_60s", float(within))
    efforts = sum(1 for e in bedside.efforts if now_s - e.start_s <= 60.0)
    facts.put("breath.efforts_60s", float(efforts))
    _last_inflation(bedside, now_s, facts)


def _coverage(bedside: Bedside, now_s: float, seconds: float) -> float:
    """Share of the time there were samples; a block still on its way is not missing."""
    end_s = now_s if bedside.paw.end_s is None else bedside.paw.end_s
    return bedside.paw.extremes.coverage(max(end_s, now_s - ON_ITS_WAY_S), seconds)


def _last_inflation(bedside: Bedside, now_s: float, facts: FactSet) -> None:
    begun = bedside.finder.inspiring_since
    last = bedside.inflations[-1] if bedside.inflations else None
    if last is None and begun is None:
        facts.absent(
            (*_INFLATION_FACTS, *_BREATH_FACTS, *LUNG_FACTS, *_WAITING_FACTS),
            "no inflation seen yet",
        )
        facts.put("breath.since", now_s - (bedside.paw.begun_s or now_s))
        return
    starts = [begun] if begun is not None else []
    starts += [last.start_s] if last is not None else []
    since_s = max(0.0, now_s - max(starts))
    facts.put("breath.since", since_s)
    usual_s = bedside.usual_period_s()
    why = "rate not known yet"
    waits_s = _waits_s(bedside, max(starts), now_s, facts)
    facts.put("breath.overdue", waits_s[-1] / usual_s if usual_s else None, why)
    late_s = sum(max(0.0, wait_s - usual_s) for wait_s in waits_s) if usual_s else None
    facts.put("breath.late_for", late_s, why)
    if last is None or now_s - last.start_s > fresh_s(usual_s):
        facts.absent(
            (*_INFLATION_FACTS, *_BREATH_FACTS, *LUNG_FACTS), f"no inflation for {since(since_s)}"
        )
        return
    _put_inflation(bedside, last, facts)
    _put_shape(last, facts)
    _put_lung(bedside, last, facts)
    _timing(bedside, facts)


def _waits_s(bedside: Bedside, since_s: float, now_s: float, facts: FactSet) -> list[float]:
    """How long an inflation was waited for, each time from a hole in the signal on.

    What was not seen is not overdue: a hole may have hidden an inflation, and what is still on its
    way was not seen yet. Nor is what was not yet to be done: a ventilator just started is not late.
    """
    end_s = since_s if bedside.paw.end_s is None else bedside.paw.end_s
    mode_for = facts.values.get("settings.mode_for")
    if facts.values.get("settings.mode") == "controlled" and isinstance(mode_for, float):
        since_s = max(since_s, now_s - mode_for)
    return bedside.paw.holes.stretches_s(min(since_s, end_s), end_s)


def _read(inflation: Inflation) -> tuple[Read, Read]:
    """How well its form could be read, and its times and pressures.

    A peak at the sensor's limit is at least that high, and a time is known without a ramp.
    """
    quality, doubt = inflation.quality, inflation.doubt
    return Read(quality, doubt), Read(max(0.5, quality), doubt)


def _put_inflation(bedside: Bedside, last: Inflation, facts: FactSet) -> None:
    target = facts.values.get("settings.pip_target")
    read, sure = _read(last)
    facts.put("paw.pip", last.pip_cmh2o, read=sure)
    facts.put("paw.pip_median_5", median(i.pip_cmh2o for i in list(bedside.inflations)[-5:]))
    facts.put("paw.pip_over_target", difference(last.pip_cmh2o, target), "no target known", sure)
    facts.put("paw.baseline", last.baseline_cmh2o, read=sure)
    facts.put("paw.driving", last.driving_cmh2o, read=sure)
    rest = median(i.baseline_cmh2o for i in list(bedside.inflations)[-3:])
    peep = facts.values.get("settings.peep_set")
    facts.put("paw.baseline_over_peep", difference(rest, peep), "set PEEP not known", sure)
    facts.put("breath.ti", last.ti_s, read=sure)
    facts.put("breath.kind", last.kind)
    facts.put("breath.quality", last.quality)
    facts.put("breath.area", last.area_cmh2o_s, read=read)
    facts.put("breath.effort", last.effort_cmh2o or 0.0, read=read)
    reached = last.time_to_s(target) if isinstance(target, float) else None
    facts.put("breath.time_to_target", reached, "target not reached, or not known", read)


def _put_shape(last: Inflation, facts: FactSet) -> None:
    read, _ = _read(last)
    why = "no even ramp to read"
    facts.put("breath.step", last.step_cmh2o, why, read)
    facts.put("breath.slope", last.slope_cmh2o_per_s, why, read)
    facts.put("breath.bend", last.bend, why, read)


def _put_lung(bedside: Bedside, last: Inflation, facts: FactSet) -> None:
    read, sure = _read(last)
    # A flow wave tells the volume of the last whole breath, a ramp the lung at the last inflation.
    lung = bedside.lung(last)
    if lung is None:
        facts.absent(LUNG_FACTS, "fresh gas flow not known")
        return
    facts.put("volume.method", lung.method)
    facts.put_interval("volume.tidal", lung.tidal_ml, "", sure)
    mass = bedside.patient.mass_kg if bedside.patient else None
    per_kg = None
    if mass:
        tidal = lung.tidal_ml
        per_kg = Uncertain(tidal.value / mass, tidal.low / mass, tidal.high / mass)
    facts.put_interval("volume.per_kg", per_kg, "fresh gas flow or mass not known", sure)
    _dead_space(bedside, lung, facts, sure)
    why = "circuit compliance or an even ramp not known"
    line = _expected("compliance_ml_per_cmh2o", bedside)
    over = lung.compliance.value / line if lung.compliance is not None and line else None
    facts.put("lung.compliance_over_expected", over, f"{why}, or none to expect known", read)
    facts.put_interval("lung.compliance", lung.compliance, why, read)
    facts.put_interval("lung.resistance", lung.resistance, why, read)


def _dead_space(bedside: Bedside, lung: LungReading, facts: FactSet, read: Read) -> None:
    """Dead space by size, and what the apparatus adds, over tidal volume with its interval."""
    line = _expected("dead_space_ml", bedside) or _expected("trachea_ml", bedside)
    apparatus = facts.values.get("settings.apparatus_dead_space")
    share = None
    if line is not None:
        dead = line + (apparatus if isinstance(apparatus, float) else 0.0)
        tidal = lung.tidal_ml
        ends = [
            dead / ml if ml > 0.0 else MOST_SHARE for ml in (tidal.high, tidal.value, tidal.low)
        ]
        low, value, high = (min(end, MOST_SHARE) for end in ends)
        share = Uncertain(value, low, high)
    facts.put_interval("volume.dead_space_share", share, "dead space by size not known", read)


def _expected(quantity: Quantity, bedside: Bedside) -> float | None:
    """What the allometric line of the class gives; None where there is none, or no mass."""
    patient = bedside.patient
    if patient is None or not patient.mass_kg:
        return None
    return expected(quantity, patient.class_, patient.mass_kg)


def _timing(bedside: Bedside, facts: FactSet) -> None:
    periods = [i.period_s for i in list(bedside.inflations)[-5:] if i.period_s is not None]
    facts.put("breath.rr", 60.0 / median(periods) if periods else None, "one breath only")
    line = _expected("rate_per_min", bedside)
    over = 60.0 / median(periods) / line if periods and line else None
    facts.put("breath.rr_over_expected", over, "no rate, or none to expect known")
    breath = bedside.last_breath
    te_s = breath.te_s if breath else None
    why = "not known for the last breath"
    facts.put("breath.te", te_s, why)
    ie = te_s / breath.inflation.ti_s if breath and te_s is not None else None
    facts.put("breath.ie", ie, why)
    facts.put("paw.mean", breath.mean_cmh2o if breath else None, why)
    facts.put("breath.unfinished", breath.unfinished_cmh2o if breath else None, why)


def baseline_facts(bedside: Bedside, facts: FactSet) -> None:
    names = ("ti.ratio_to_baseline", "slope.ratio_to_baseline", "step.over_baseline",
             "volume.ratio_to_baseline")  # fmt: skip
    learnt = bedside.pressure_baseline.learnt
    facts.put("ti.baseline", learnt.get("ti"), "still learning what is usual")
    if "breath.ti" not in facts.values or not learnt:
        why = facts.unknown.get("breath.ti", "still learning what is usual")
        facts.absent(names, why)
        return
    last = list(bedside.inflations)[-3:]
    # One of three that was read badly moves no median.
    read, sure = _read(sorted(last, key=attrgetter("quality"))[(len(last) - 1) // 2])
    facts.put(names[0], ratio([i.ti_s for i in last], learnt.get("ti")), read=sure)
    slopes = [i.slope_cmh2o_per_s for i in last if i.slope_cmh2o_per_s is not None]
    facts.put(names[1], ratio(slopes, learnt.get("slope")), "ramp too short to read", read)
    steps = [i.step_cmh2o for i in last if i.step_cmh2o is not None]
    usual_step = learnt.get("step")
    over = median(steps) - usual_step if steps and usual_step is not None else None
    facts.put(names[2], over, "ramp too short to read", read)
    volumes = [v for v in map(bedside.tidal_volume_ml, last) if v is not None]
    facts.put(names[3], ratio(volumes, learnt.get("volume")), "fresh gas flow not known", sure)
