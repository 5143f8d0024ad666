"""Facts of airway pressure and breaths, now and against what is usual."""

from __future__ import annotations

from statistics import median
from typing import Final

from service.bedside import Bedside
from service.facts.factset import FactSet, current, difference, fresh_s, ratio, since

_PRESSURE_FACTS: Final = (
    "paw.pip", "paw.pip_median_5", "paw.pip_over_target", "paw.baseline", "paw.mean",
    "paw.max_5s", "paw.max_10s", "paw.max_10s_over_target", "paw.sustained", "breath.ti",
    "breath.te", "breath.rr", "breath.ie", "breath.count_60s", "breath.since", "breath.overdue",
    "volume.tidal", "volume.per_kg",
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
    if last is None or now_s - last.start_s > fresh_s(usual_s):
        for name in (*names, "breath.te", "breath.rr", "breath.ie", "paw.mean"):
            facts.put(name, None, f"no inflation for {since(since_s)}")
        return
    target = facts.values.get("settings.pip_target")
    recent = list(bedside.inflations)[-5:]
    facts.put("paw.pip", last.pip_cmh2o)
    facts.put("paw.pip_median_5", median(i.pip_cmh2o for i in recent))
    facts.put("paw.pip_over_target", difference(last.pip_cmh2o, target), "no target known")
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
    facts.put(names[0], ratio([i.ti_s for i in last], learnt.get("ti")))
    slopes = [i.slope_cmh2o_per_s for i in last if i.slope_cmh2o_per_s is not None]
    facts.put(names[1], ratio(slopes, learnt.get("slope")), "ramp too short to read")
    steps = [i.step_cmh2o for i in last if i.step_cmh2o is not None]
    usual_step = learnt.get("step")
    over = median(steps) - usual_step if steps and usual_step is not None else None
    facts.put(names[2], over, "ramp too short to read")
    volumes = [v for v in map(bedside.tidal_volume_ml, last) if v is not None]
    facts.put(names[3], ratio(volumes, learnt.get("volume")), "fresh gas flow not known")
