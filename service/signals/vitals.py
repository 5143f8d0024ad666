"""Whether a monitor's saturation, pulse and temperature can be what they say, and their trend.

A reading that cannot have come about in the time passed is doubted, with words why; it is never
changed. Doubt about saturation is short and rare by construction, because a small animal on air
may desaturate within seconds: what is doubted and stays is believed after `DOUBT_MS`, and no new
doubt begins for `BETWEEN_DOUBTS_MS`. A saturation that stands still is no fault: on oxygen it shows
99 % for hours. Elapsed time is that of the device, so a burst after a lost link is no leap.

Of what a pulse oximeter shows 8 to 20 s have passed already: blood on its way to the probe, and an
averaging time that is not on the wire (common practice, no source).
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Final

from service.physiology import oxygen
from service.physiology.apnoea import store_time_s
from service.signals.lines import fit

#: A doubted saturation that stays is believed after this; the next doubt is that far away (ms).
DOUBT_MS: Final = 3_000
BETWEEN_DOUBTS_MS: Final = 30_000
#: Two readings may differ by this much for no reason: accuracy of the oximeter (ISO 80601-2-61,
#: from memory: 4 % rms over 70 to 100 %).
SPO2_SLACK: Final = 4.0
#: A whole fall of 100 % takes an oximeter at least its averaging time, 4 s (from memory).
SPO2_FASTEST_PER_S: Final = 25.0
#: The lung may empty so many times faster than at rest: half the volume, twice the uptake.
STORE_HASTE: Final = 4.0
#: Without a mass the animal may be this small (kg).
SMALLEST_KG: Final = 0.02
_AIR_PO2: Final = oxygen.alveolar_po2_mmhg(0.21, 40.0)
_DRY_MMHG: Final = oxygen.SEA_LEVEL_MMHG - oxygen.WATER_VAPOUR_MMHG

#: No animal cools or warms faster than this (C/min), over its noise and rounding (C); a probe in
#: air does (common practice, no source).
CELSIUS_PER_MIN: Final = 1.0
CELSIUS_SLACK: Final = 0.5
#: A probe that was put in place has warmed up once it stands still, within this, for so long.
WARM_WITHIN_C: Final = 0.3
WARM_MS: Final = 30_000

#: The trend is over this window (ms), of at least so many readings over so long.
TREND_MS: Final = 60_000
TREND_MIN_READINGS: Final = 5
TREND_MIN_MS: Final = 20_000
_BUCKET_MS: Final = 500
#: A pulse rate that shows the very same number for so long is stuck; so long may pass between two.
STUCK_MS: Final = 300_000
_GAP_MS: Final = 10_000
_MS_PER_MIN: Final = 60_000.0


@dataclass(slots=True)
class Trend:
    """Readings believed in the last minute as (device ms, value), and the doubt about the newest.

    `doubt_until_ms` is in received time; None for a doubt that only better readings end.
    """

    believed: deque[tuple[int, float]] = field(default_factory=deque)
    doubt: str | None = None
    doubt_until_ms: int | None = None
    doubt_begun_ms: int | None = None
    # Since when, and within which bounds, doubted readings have stood still.
    still_since_ms: int = 0
    still_low: float = 0.0
    still_high: float = 0.0

    def doubted(self, now_ms: int) -> str | None:
        """Why the newest reading is not to be used at `now_ms` (received time), if so."""
        if self.doubt_until_ms is not None and now_ms >= self.doubt_until_ms:
            return None
        return self.doubt

    def believe(self, at_ms: int, value: float) -> None:
        """Take a reading as true: one in half a second is kept, for a minute."""
        self.doubt = None
        if self.believed and self.believed[-1][0] // _BUCKET_MS == at_ms // _BUCKET_MS:
            self.believed.pop()
        self.believed.append((at_ms, value))
        while self.believed[0][0] < at_ms - TREND_MS:
            self.believed.popleft()

    def slope_per_min(self) -> float | None:
        """Least-squares slope in units of the reading a minute; None while too little is known."""
        if len(self.believed) < TREND_MIN_READINGS:
            return None
        start = self.believed[0][0]
        if self.believed[-1][0] - start < TREND_MIN_MS:
            return None
        minutes = [((at - start) / _MS_PER_MIN, value) for at, value in self.believed]
        return fit(minutes, may_bend=False).slope


@dataclass(slots=True)
class Vitals:
    """What is remembered of a place's saturation, pulse and temperature."""

    spo2: Trend = field(default_factory=Trend)
    temperature: Trend = field(default_factory=Trend)
    pulse_per_min: float | None = None
    pulse_since_ms: int = 0
    pulse_ms: int = 0
    spo2_slope_per_min: float | None = None

    def take(
        self, name: str, value: float, at_ms: int, received_ms: int, mass_kg: float | None
    ) -> None:
        """One reading: device time and time of receipt in ms; names other than the three pass."""
        match name:
            case "spo2":
                _take_spo2(self.spo2, value, at_ms, received_ms, mass_kg)
                self.spo2_slope_per_min = self.spo2.slope_per_min()
            case "temperature":
                _take_temperature(self.temperature, value, at_ms)
            case "pulse_rate":
                if value != self.pulse_per_min or received_ms - self.pulse_ms > _GAP_MS:
                    self.pulse_per_min, self.pulse_since_ms = value, received_ms
                self.pulse_ms = received_ms

    def pulse_stuck(self, now_ms: int) -> bool:
        """Whether the pulse rate has shown the same number for implausibly long."""
        known = self.pulse_per_min is not None and now_ms - self.pulse_ms <= _GAP_MS
        return known and now_ms - self.pulse_since_ms >= STUCK_MS


def _last(trend: Trend, at_ms: int) -> tuple[int, float] | None:
    """The reading believed last; a device clock that was set back starts afresh."""
    if trend.believed and at_ms < trend.believed[-1][0]:
        trend.believed.clear()
    return trend.believed[-1] if trend.believed else None


def _take_spo2(
    trend: Trend, value: float, at_ms: int, received_ms: int, mass_kg: float | None
) -> None:
    last = _last(trend, at_ms)
    if last is None or reachable(last[1], value, (at_ms - last[0]) / 1000.0, mass_kg):
        trend.believe(at_ms, value)
        return
    if trend.doubted(received_ms):
        return
    begun = trend.doubt_begun_ms
    if begun is not None and received_ms - begun < BETWEEN_DOUBTS_MS:
        trend.believe(at_ms, value)
        return
    how = "fell" if value < last[1] else "rose"
    trend.doubt = (
        f"saturation {how} from {last[1]:.0f} to {value:.0f} % in "
        f"{(at_ms - last[0]) / 1000.0:.0f} s: probe out of place?"
    )
    trend.doubt_begun_ms, trend.doubt_until_ms = received_ms, received_ms + DOUBT_MS


def reachable(before: float, now: float, elapsed_s: float, mass_kg: float | None) -> bool:
    """Whether saturation (%) can show `now` so soon after `before`, in an animal of `mass_kg`.

    As fast as an oximeter can average, or as fast as the lung can empty on air, whichever is
    faster; the lung is a mammal's (Stahl), hurried fourfold.
    """
    shown = SPO2_SLACK + SPO2_FASTEST_PER_S * elapsed_s
    if abs(now - before) <= shown:
        return True
    return now < before and now >= emptied_percent(before, elapsed_s, mass_kg) - SPO2_SLACK


def emptied_percent(before: float, elapsed_s: float, mass_kg: float | None) -> float:
    """The lowest saturation (%) that an emptying lung can reach from `before` % on air."""
    mass_kg = mass_kg or SMALLEST_KG
    p50 = oxygen.p50_by_mass_mmhg(mass_kg)
    share = min(before / 100.0, oxygen.saturation(_AIR_PO2, p50))
    drained = STORE_HASTE * elapsed_s / store_time_s(mass_kg, _DRY_MMHG, 0.0) * _DRY_MMHG
    left = max(0.0, oxygen.po2_for_saturation_mmhg(share, p50) - drained)
    return 100.0 * oxygen.saturation(left, p50)


def _take_temperature(trend: Trend, value: float, at_ms: int) -> None:
    _last(trend, at_ms)
    for then_ms, then in trend.believed:
        minutes = (at_ms - then_ms) / _MS_PER_MIN
        if abs(value - then) > CELSIUS_SLACK + CELSIUS_PER_MIN * minutes:
            _doubt_temperature(trend, value, at_ms, (then_ms, then))
            return
    trend.believe(at_ms, value)


def _doubt_temperature(trend: Trend, value: float, at_ms: int, against: tuple[int, float]) -> None:
    """A fall is doubted until it is plausible by time; a rise until the probe has warmed up."""
    then_ms, then = against
    seconds = (at_ms - then_ms) / 1000.0
    low, high = min(trend.still_low, value), max(trend.still_high, value)
    if trend.doubt is None or high - low > WARM_WITHIN_C:
        trend.still_since_ms, low, high = at_ms, value, value
    trend.still_low, trend.still_high = low, high
    if value < then:
        trend.doubt = (
            f"temperature fell {then - value:.1f} °C in {seconds:.0f} s: probe out of place?"
        )
        return
    if at_ms - trend.still_since_ms >= WARM_MS:
        trend.believed.clear()
        trend.believe(at_ms, value)
        return
    trend.doubt = f"temperature rose {value - then:.1f} °C in {seconds:.0f} s: probe warming up?"
