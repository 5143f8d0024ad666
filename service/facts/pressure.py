"""Facts of airway pressure and breaths, now and against what is usual."""

from __future__ import annotations

from operator import attrgetter
from statistics import median
from typing import Final

from service.bedside import Bedside
from service.facts.factset import FactSet, Read, current, difference, fresh_s, ratio, since
from service.physiology.uncertain import Uncertain
from service.signals.breaths import Inflation

#: What the last inflation says, and what the last whole breath says.
_INFLATION_FACTS: Final = (
    "paw.pip", "paw.pip_median_5", "paw.pip_over_target", "paw.baseline", "paw.driving",
    "breath.ti", "breath.kind", "breath.quality", "breath.step", "breath.slope", "breath.bend",
    "breath.time_to_target", "breath.area", "breath.effort",
)  # fmt: skip
_BREATH_FACTS: Final = ("paw.mean", "breath.te", "breath.rr", "breath.ie", "breath.unfinished")
_WITH_INTERVAL: Final = ("volume.tidal", "volume.per_kg", "lung.compliance", "lung.resistance")
LUNG_FACTS: Final = (
    "volume.method",
    *(f"{name}{end}" for name in _WITH_INTERVAL for end in ("", "_low", "_high")),
)
_PRESSURE_FACTS: Final = (
    *_INFLATION_FACTS, *_BREATH_FACTS, *LUNG_FACTS, "paw.max_5s", "paw.max_10s",
    "paw.max_10s_over_target", "paw.sustained", "paw.coverage_10s", "breath.count_60s",
    "breath.since", "breath.overdue", "breath.efforts_60s",
)  # fmt: skip


def pressure_facts(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
    now_s = current(bedside.paw, now_ms, "airway pressure", _PRESSURE_FACTS, facts)
    if now_s is None:
        return
    target = facts.values.get("settings.pip_target")
    for seconds in (5, 10):
        window = bedside.paw.extremes.over(now_s, seconds)
        facts.put(f"paw.max_{seconds}s", window[1] if window else None, "no sample")
    highest = facts.values.get("paw.max_10s")
    facts.put("paw.max_10s_over_target", difference(highest, target), "no target known")
    facts.put("paw.coverage_10s", bedside.paw.extremes.coverage(now_s, 10.0))
    inspiring = bedside.finder.inspiring_since
    facts.put("paw.sustained", 0.0 if inspiring is None else max(0.0, now_s - inspiring))
    within = sum(1 for i in bedside.inflations if now_s - i.start_s <= 60.0)
    facts.put("breath.count_60s", float(within))
    efforts = sum(1 for e in bedside.efforts if now_s - e.start_s <= 60.0)
    facts.put("breath.efforts_60s", float(efforts))
    _last_inflation(bedside, now_s, facts)


def _last_inflation(bedside: Bedside, now_s: float, facts: FactSet) -> None:
    begun = bedside.finder.inspiring_since
    last = bedside.inflations[-1] if bedside.inflations else None
    if last is None and begun is None:
        for name in (*_INFLATION_FACTS, *_BREATH_FACTS, *LUNG_FACTS, "breath.overdue"):
            facts.put(name, None, "no inflation seen yet")
        facts.put("breath.since", now_s - (bedside.paw.begun_s or now_s))
        return
    starts = [begun] if begun is not None else []
    starts += [last.start_s] if last is not None else []
    since_s = max(0.0, now_s - max(starts))
    facts.put("breath.since", since_s)
    usual_s = bedside.usual_period_s()
    facts.put("breath.overdue", since_s / usual_s if usual_s else None, "rate not known yet")
    if last is None or now_s - last.start_s > fresh_s(usual_s):
        for name in (*_INFLATION_FACTS, *_BREATH_FACTS, *LUNG_FACTS):
            facts.put(name, None, f"no inflation for {since(since_s)}")
        return
    _put_inflation(bedside, last, facts)
    _put_shape(last, facts)
    _put_lung(bedside, last, facts)
    _timing(bedside, facts)


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
        for name in LUNG_FACTS:
            facts.put(name, None, "fresh gas flow not known")
        return
    facts.put("volume.method", lung.method)
    facts.put_interval("volume.tidal", lung.tidal_ml, "", sure)
    mass = bedside.patient.mass_kg if bedside.patient else None
    per_kg = None
    if mass:
        tidal = lung.tidal_ml
        per_kg = Uncertain(tidal.value / mass, tidal.low / mass, tidal.high / mass)
    facts.put_interval("volume.per_kg", per_kg, "fresh gas flow or mass not known", sure)
    why = "circuit compliance or an even ramp not known"
    facts.put_interval("lung.compliance", lung.compliance, why, read)
    facts.put_interval("lung.resistance", lung.resistance, why, read)


def _timing(bedside: Bedside, facts: FactSet) -> None:
    periods = [i.period_s for i in list(bedside.inflations)[-5:] if i.period_s is not None]
    facts.put("breath.rr", 60.0 / median(periods) if periods else None, "one breath only")
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
        for name in names:
            facts.put(name, None, why)
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
