"""Facts of the shape of the capnogram, of its course, and of its agreement with pressure."""

from __future__ import annotations

from itertools import pairwise
from statistics import median
from typing import Final

from service.bedside import Bedside
from service.facts.factset import FactSet, current
from service.known import Reading
from service.physiology import allometry
from service.physiology.capnometry import corrected_etco2
from service.signals.capnogram import Co2Breath
from service.signals.capnogram_agreement import MAX_DELAY_S, agreement
from service.signals.capnogram_baseline import BREATHS, Inspired, baseline_of, lag_left_mmhg
from service.signals.capnogram_course import LOST_AFTER_PERIODS, Since, course_of

_BREATH_FACTS: Final = (
    "co2.expired_time",
    "co2.plateau",
    "co2.plateau_time",
    "co2.plateau_slope",
    "co2.notch_depth",
    "co2.ripple",
    "co2.quality",
)
_COURSE_FACTS: Final = (
    "co2.course",
    "co2.washout_ratio",
    "co2.washout_ratio_low",
    "co2.washout_ratio_high",
)
_AGREEMENT_FACTS: Final = (
    "co2.agreement",
    "co2.missing_for_inflations",
    "co2.breaths_without_pressure",
    "co2.delay",
)
_CORRECTED_FACTS: Final = (
    "etco2.corrected",
    "etco2.corrected_low",
    "etco2.corrected_high",
    "etco2.diluted",
)
SHAPE_FACTS: Final = (
    *_BREATH_FACTS,
    *_COURSE_FACTS,
    *_AGREEMENT_FACTS,
    *_CORRECTED_FACTS,
    "co2.notches_60s",
    "co2.baseline",
    "co2.waveform",
    "co2.frozen_for",
)
#: Agreement is judged over so long (s), the course over so many breaths.
AGREEMENT_S: Final = 30.0
COURSE_BREATHS: Final = 20
#: The same sample to the bit for this long (s), off zero by more than this (mmHg), is frozen.
FROZEN_S: Final = 3.0
ZERO_MMHG: Final = 1.0
#: A signal that moves by less than this in 10 s stands still; under that level there is no CO2.
STANDING_MMHG: Final = 3.0
#: With so many inflations in 10 s that do not move it, its line may be blocked.
BLOCKED_INFLATIONS: Final = 2
#: After its dead space expired gas stands at the sensor for about this share of the expiration.
PLATEAU_SHARE: Final = 0.875
#: What the monitor told of its analyser stands for this long.
ANALYSER_FRESH_MS: Final = 180_000


def capnogram_facts(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
    """All facts of this module; needs the facts `fico2` and `etco2` put before."""
    now_s = current(bedside.co2, now_ms, "CO2", SHAPE_FACTS, facts)
    if now_s is None:
        return
    breaths = list(bedside.co2_breaths)
    _waveform(bedside, now_s, breaths, facts)
    _course(bedside, now_s, breaths, facts)
    _agreement(bedside, now_ms, now_s, breaths, facts)
    recent = sum(1 for b in breaths if b.notch_mmhg is not None and now_s - b.end_s <= 60.0)
    facts.put("co2.notches_60s", float(recent))
    # What the last breath said stands as long as its inspired CO2 does.
    why = facts.unknown.get("fico2")
    if why is not None:
        facts.absent((*_BREATH_FACTS, *_CORRECTED_FACTS, "co2.baseline"), why)
        return
    _last_breath(breaths[-1], facts)
    inspired = [_inspired(before, breath) for before, breath in pairwise(breaths[-BREATHS - 1 :])]
    baseline = baseline_of([i for i in inspired if i is not None], bedside.capnogram.zero or 0.0)
    facts.put("co2.baseline", baseline, "fewer than 4 breaths seen in CO2")
    _corrected(bedside, now_ms, breaths[-1], facts)


def _inspired(before: Co2Breath, breath: Co2Breath) -> Inspired | None:
    if breath.fico2_mmhg is None:
        return None
    inspired_s = breath.start_s - (before.end_s if before.down_s is None else before.down_s)
    lag = lag_left_mmhg(before.etco2_mmhg, inspired_s)
    return Inspired(breath.fico2_mmhg, breath.fico2_flat, lag)


def _last_breath(last: Co2Breath, facts: FactSet) -> None:
    facts.put("co2.expired_time", last.expired_s)
    facts.put("co2.plateau", last.slope_mmhg_per_s is not None)
    facts.put("co2.plateau_time", last.plateau_lasts_s, "the last breath has no plateau")
    facts.put("co2.plateau_slope", last.slope_mmhg_per_s, "the last breath has no plateau")
    facts.put("co2.notch_depth", last.notch_mmhg or 0.0)
    facts.put("co2.ripple", last.ripple_mmhg or 0.0)
    facts.put("co2.quality", last.quality)


def _waveform(bedside: Bedside, now_s: float, breaths: list[Co2Breath], facts: FactSet) -> None:
    capnogram, window = bedside.capnogram, bedside.co2.extremes.over(now_s, 10)
    frozen_s = 0.0
    if capnogram.same is not None and abs(capnogram.same) > ZERO_MMHG:
        frozen_s = max(0.0, now_s - capnogram.same_since)
        frozen_s = frozen_s if frozen_s >= FROZEN_S else 0.0
    facts.put("co2.frozen_for", frozen_s)
    label = None if window is None else _named(bedside, now_s, breaths, window, frozen_s)
    facts.put("co2.waveform", label, "no sample")


def _named(
    bedside: Bedside,
    now_s: float,
    breaths: list[Co2Breath],
    window: tuple[float, float],
    frozen_s: float,
) -> str:
    if frozen_s:
        return "frozen"
    if window[1] - window[0] >= STANDING_MMHG:
        at_end = "range" in breaths[-1].why if breaths else False
        return "saturated" if at_end else "moving"
    if window[1] < STANDING_MMHG:
        return "no-co2"
    paw_s = bedside.paw.end_s
    lately = sum(1 for i in bedside.inflations if now_s - i.start_s <= 10.0)
    heard = paw_s is not None and now_s - paw_s <= 10.0
    return "blocked" if heard and lately >= BLOCKED_INFLATIONS else "standing"


def _course(bedside: Bedside, now_s: float, breaths: list[Co2Breath], facts: FactSet) -> None:
    last = breaths[-COURSE_BREATHS:]
    made = course_of([b.etco2_mmhg for b in last], _since(bedside, now_s, last))
    why = "fewer than 4 breaths seen in CO2"
    facts.put("co2.course", made.label if made else None, why)
    facts.put("co2.washout_ratio", made.ratio if made else None, why)
    facts.put("co2.washout_ratio_low", made.low if made else None, why)
    facts.put("co2.washout_ratio_high", made.high if made else None, why)


def _since(bedside: Bedside, now_s: float, breaths: list[Co2Breath]) -> Since | None:
    """What followed the last breath, once its fall has passed out of the window."""
    periods = [b.period_s for b in breaths[-5:] if b.period_s is not None]
    if not periods:
        return None
    usual, seconds = median(periods), now_s - breaths[-1].end_s
    if seconds < max(LOST_AFTER_PERIODS * usual, 0.5 * usual + 1.0):
        return None
    window = bedside.co2.extremes.over(now_s, min(10.0, seconds - 0.5 * usual))
    return None if window is None else Since(seconds, window[1], usual)


def _agreement(
    bedside: Bedside, now_ms: int, now_s: float, breaths: list[Co2Breath], facts: FactSet
) -> None:
    if current(bedside.paw, now_ms, "airway pressure", _AGREEMENT_FACTS, facts) is None:
        return
    end_s = min(bedside.co2.end_s or now_s, bedside.paw.end_s or now_s)
    begun_s = max(bedside.co2.begun_s or now_s, bedside.paw.begun_s or now_s)
    made = agreement(
        [i.start_s + i.ti_s for i in bedside.inflations],
        [b.start_s for b in breaths],
        max(end_s - AGREEMENT_S - MAX_DELAY_S, begun_s),
        end_s,
    )
    facts.put("co2.agreement", made.share, "no inflation in the last 30 s")
    facts.put("co2.missing_for_inflations", float(made.missing_for_inflations))
    facts.put("co2.breaths_without_pressure", float(made.breaths_without_pressure))
    facts.put("co2.delay", made.delay_s, "no breath in CO2 fits an inflation")


def _corrected(bedside: Bedside, now_ms: int, last: Co2Breath, facts: FactSet) -> None:
    patient = bedside.patient
    if last.etco2_mmhg <= 0.0 or last.expired_s <= 0.0:
        facts.absent(_CORRECTED_FACTS, "the last breath shows no CO2")
        return
    expected, why = None, "who lies here was never received"
    if patient is not None:
        why = "body mass unknown"
        if patient.mass_kg is not None:
            expected = allometry.expected(
                "minute_volume_ml_per_min", patient.class_, patient.mass_kg
            )
            why = f"no minute volume to expect of a {patient.class_}"
    made = corrected_etco2(
        last.etco2_mmhg,
        PLATEAU_SHARE * last.expired_s,
        expected,
        start_mmhg=max(0.0, last.fico2_mmhg or 0.0),
        rise_10_90_s=_told(bedside.numerics.get("co2_rise_time"), now_ms),
        sampling_ml_per_min=_told(bedside.numerics.get("co2_sampling_flow"), now_ms),
    )
    why = why if expected is None else made.why_absent
    facts.put("etco2.corrected", made.etco2_mmhg, why)
    facts.put("etco2.corrected_low", made.low_mmhg, why)
    facts.put("etco2.corrected_high", made.high_mmhg, why)
    # Without a minute volume only the lag is known: enough to say yes, not to say no.
    diluted = made.hides_much if expected is not None or made.hides_much else None
    facts.put("etco2.diluted", diluted, why)


def _told(reading: Reading | None, now_ms: int) -> float | None:
    """What the monitor says of its analyser, while that is fresh."""
    if reading is None or now_ms - reading.received_ms > ANALYSER_FRESH_MS:
        return None
    return reading.value
