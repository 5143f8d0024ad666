"""Facts of CO2, and of breathing seen in either signal."""

from __future__ import annotations

from statistics import median
from typing import Final

from service.bedside import Bedside
from service.facts.factset import NUMERIC_FRESH_S, FactSet, current, fresh_s, since
from service.known import Channel, Expired
from service.physiology.apnoea import co2_rise_small_mammal_mmhg
from service.signals.capnogram import Co2Breath

#: The rise scaled from man holds up to this mass.
LARGEST_KG: Final = 70.0

#: End-tidal CO2 this much under the last breath's is a fall; so many in a row make a run.
FALL_SHARE: Final = 0.03

#: A pause is so many usual periods without a breath, and at least so long (s).
PAUSE_PERIODS: Final = 2.5
PAUSE_S: Final = 10.0

_CO2_FACTS: Final = ("co2.rr", "co2.since_breath", "co2.max_10s", "co2.swing_10s", "fico2",
                     "co2.rise_in_pause", "co2.expected_rise_low",
                     "co2.expected_rise_high")  # fmt: skip
_ETCO2_FACTS: Final = ("etco2", "etco2.min_30s", "etco2.max_30s", "etco2.slope_5min",
                       "etco2.falls_in_a_row", "etco2.fall_of_run",
                       "etco2.ratio_to_baseline")  # fmt: skip


def co2_facts(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
    now_s = current(bedside.co2, now_ms, "CO2", _CO2_FACTS, facts)
    if now_s is not None:
        window = bedside.co2.extremes.over(now_s, 10)
        facts.put("co2.max_10s", window[1] if window else None, "no sample")
        facts.put("co2.swing_10s", window[1] - window[0] if window else None, "no sample")
        _co2_breaths(bedside, now_s, facts)
    elif bedside.co2.end_s is not None:
        # The waveform stopped: what it said last no longer counts.
        facts.absent(_ETCO2_FACTS, facts.unknown["co2.rr"])
        return
    _end_tidal(bedside, now_ms, facts)


def _co2_breaths(bedside: Bedside, now_s: float, facts: FactSet) -> None:
    if not bedside.co2_breaths:
        for name in _CO2_FACTS:
            if name not in facts.values and name != "co2.since_breath":
                facts.put(name, None, "no breath seen in CO2 yet")
        facts.put("co2.since_breath", now_s - (bedside.co2.begun_s or now_s))
        return
    last = bedside.co2_breaths[-1]
    since_s = max(0.0, now_s - last.end_s)
    facts.put("co2.since_breath", since_s)
    periods = [b.period_s for b in list(bedside.co2_breaths)[-5:] if b.period_s is not None]
    fresh = since_s <= fresh_s(median(periods) if periods else None)
    why = f"no breath in CO2 for {since(since_s)}"
    facts.put("co2.rr", 60.0 / median(periods) if periods and fresh else None, why)
    facts.put("fico2", last.fico2_mmhg if fresh else None, why)
    rise = _rise_in_pause(list(bedside.co2_breaths))
    facts.put("co2.rise_in_pause", rise, "no pause in breathing of late")
    _expected_rise(bedside, since_s, facts)


def _rise_in_pause(breaths: list[Co2Breath]) -> float | None:
    """End-tidal CO2 of the last breath less that before the latest pause; None without one."""
    for at in range(len(breaths) - 1, 1, -1):
        before, after = breaths[at - 1], breaths[at]
        periods = [b.period_s for b in breaths[max(0, at - 5) : at] if b.period_s is not None]
        longest = max(PAUSE_S, PAUSE_PERIODS * median(periods)) if periods else None
        if longest is not None and after.start_s - before.start_s > longest:
            return breaths[-1].etco2_mmhg - before.etco2_mmhg
    return None


def _expected_rise(bedside: Bedside, since_s: float, facts: FactSet) -> None:
    patient, rise = bedside.patient, None
    if patient is not None and patient.class_ == "mammal" and patient.mass_kg:
        rise = co2_rise_small_mammal_mmhg(min(patient.mass_kg, LARGEST_KG), since_s)
    why = "no source for the rise in this animal"
    facts.put("co2.expected_rise_low", rise.low_mmhg if rise else None, why)
    facts.put("co2.expected_rise_high", rise.high_mmhg if rise else None, why)


def _end_tidal(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
    last = bedside.expired[-1] if bedside.expired else None
    why = "never received" if last is None else _too_old(bedside, last, now_ms)
    if last is None or why is not None:
        facts.absent(_ETCO2_FACTS, why or "")
        return
    facts.put("etco2", last.etco2_mmhg)
    recent = [e.etco2_mmhg for e in bedside.expired if now_ms - e.seen_ms <= 30_000]
    facts.put("etco2.min_30s", min(recent) if recent else None, "no breath in the last 30 s")
    facts.put("etco2.max_30s", max(recent) if recent else None, "no breath in the last 30 s")
    slope = bedside.etco2_trend.slope_at(now_ms)
    facts.put("etco2.slope_5min", slope, "less than a minute of breaths")
    usual = bedside.co2_baseline.learnt.get("etco2")
    facts.put(
        "etco2.ratio_to_baseline",
        last.etco2_mmhg / usual if usual else None,
        "still learning what is usual",
    )
    falls, share = _falls(bedside)
    facts.put("etco2.falls_in_a_row", float(falls))
    facts.put("etco2.fall_of_run", share)


def _too_old(bedside: Bedside, last: Expired, now_ms: int) -> str | None:
    """Why the last end-tidal value no longer stands, if it does not."""
    age_s = (now_ms - last.seen_ms) / 1000.0
    if not last.from_waveform:
        return f"last received {since(age_s)} ago" if age_s > NUMERIC_FRESH_S else None
    periods = [b.period_s for b in list(bedside.co2_breaths)[-5:] if b.period_s is not None]
    if age_s <= fresh_s(median(periods) if periods else None):
        return None
    return f"no breath in CO2 for {since(age_s)}"


def _falls(bedside: Bedside) -> tuple[int, float]:
    """How many breaths in a row came lower than the one before, and by what share in all."""
    values = [e.etco2_mmhg for e in bedside.expired if e.from_waveform]
    falls = 0
    # A share of nothing says nothing: a badly zeroed sensor may read below zero.
    while falls + 1 < len(values) and values[-2 - falls] > 0.0:
        if values[-1 - falls] > values[-2 - falls] * (1 - FALL_SHARE):
            break
        falls += 1
    if falls == 0:
        return 0, 0.0
    return falls, 1.0 - values[-1] / values[-1 - falls]


def breathing_facts(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
    """Time watched without a breath in either signal; while one is missing, the other speaks.

    What passed while a signal was not there does not count, nor what is still on its way: a breath
    may have come in it.
    """
    channels = (("breath.since", bedside.paw), ("co2.since_breath", bedside.co2))
    known = [
        (since_s, channel)
        for name, channel in channels
        if isinstance(since_s := facts.values.get(name), float)
    ]
    since_s = min((since_s for since_s, _ in known), default=0.0)
    watched = [_watched_s(channel, since_s, now_ms) for _, channel in known]
    seen = [watched_s for watched_s in watched if watched_s is not None]
    facts.put("breathing.since", min(seen) if seen else None, "neither signal is there")


def _watched_s(channel: Channel, since_s: float, now_ms: int) -> float | None:
    """How much of the last `since_s` the signal was there; None while it is not."""
    now_s, end_s = channel.now_s(now_ms), channel.end_s
    if now_s is None or end_s is None or channel.holes.unbroken_for_s(end_s) <= 0.0:
        return None
    return channel.holes.watched_s(min(now_s - since_s, end_s), end_s)
