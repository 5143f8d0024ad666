"""The capnogram: CO2 that rises and falls as a breath does, sample by sample.

A breath is a turn up and a turn down of CO2, each larger than a share of the usual swing; a high
but flat CO2 is none. End-tidal CO2 is the highest value of the expired part, inspired CO2 the
lowest of the inspired part.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from service.signals.assembly import JITTER_S

#: CO2 must turn by at least this much (mmHg) and by this share of the usual swing.
MIN_TURN_MMHG: Final = 3.0
TURN_SHARE: Final = 0.4
#: The usual swing fades when nothing turns, so that a smaller breath is seen again.
FADE_TAU_S: Final = 15.0
#: The turning points follow a slow drift of CO2, so only a quick turn is one.
DRIFT_TAU_S: Final = 3.0
MAX_LOST_S: Final = 0.5


@dataclass(slots=True)
class Co2Breath:
    """One expiration seen in CO2. Times in s (device time), pressures in mmHg."""

    #: When CO2 began to rise.
    start_s: float
    #: When it had fallen again: the breath is known from here on.
    end_s: float
    etco2_mmhg: float
    #: Lowest CO2 of the inspiration before it; None when that was not seen.
    fico2_mmhg: float | None
    period_s: float | None
    reference: str


@dataclass(slots=True)
class Capnogram:
    """The streaming state of one CO2 channel."""

    begun: bool = False
    rising: bool | None = None
    # Turning points that follow a slow drift, and the true extremes for the report.
    highest: float = 0.0
    lowest: float = 0.0
    peak: float = 0.0
    trough: float = 0.0
    lowest_t: float = 0.0
    start_t: float | None = None
    inspired: float | None = None
    swing: float = 20.0
    last_t: float | None = None
    last_start: float | None = None

    def feed(
        self, samples: Iterable[tuple[float, float | None]], reference: str
    ) -> list[Co2Breath]:
        """Take (time s, CO2 mmHg or None) in time order; returns the breaths completed."""
        breaths: list[Co2Breath] = []
        for t, co2 in samples:
            if co2 is None:
                continue
            dt = 0.0 if self.last_t is None else t - self.last_t
            if not -JITTER_S <= dt <= MAX_LOST_S:
                self._forget()
                dt = 0.0
            dt = max(0.0, dt)
            self.last_t = t
            self.swing -= self.swing * min(1.0, dt / FADE_TAU_S)
            turn = max(MIN_TURN_MMHG, TURN_SHARE * self.swing)
            if self.rising is None:
                self._start(t, co2, turn)
            elif self.rising:
                self._expiring(t, co2, dt, turn, reference, breaths)
            else:
                self._inspiring(t, co2, dt, turn)
        return breaths

    def _start(self, t: float, co2: float, turn: float) -> None:
        if not self.begun:
            self.begun = True
            self.highest = self.lowest = co2
            self.lowest_t = t
        self.highest = max(self.highest, co2)
        if co2 <= self.lowest:
            self.lowest, self.lowest_t = co2, t
        if self.highest - co2 >= turn:
            self._turn_down(t, co2)
        elif co2 - self.lowest >= turn:
            self.trough = self.lowest
            self._turn_up(co2)

    def _turn_up(self, co2: float) -> None:
        self.rising = True
        self.start_t, self.inspired = self.lowest_t, self.trough
        self.highest = self.peak = co2

    def _turn_down(self, t: float, co2: float) -> None:
        self.rising = False
        self.lowest = self.trough = co2
        self.lowest_t = t

    def _expiring(
        self,
        t: float,
        co2: float,
        dt: float,
        turn: float,
        reference: str,
        breaths: list[Co2Breath],
    ) -> None:
        if co2 > self.highest:
            self.highest = co2
            self.peak = max(self.peak, co2)
            return
        if self.highest - co2 < turn:
            self.highest += (co2 - self.highest) * min(1.0, dt / DRIFT_TAU_S)
            return
        if self.start_t is not None:
            breaths.append(self._breath(t, reference))
        self._turn_down(t, co2)

    def _breath(self, t: float, reference: str) -> Co2Breath:
        start = self.start_t if self.start_t is not None else t
        breath = Co2Breath(
            start_s=start,
            end_s=t,
            etco2_mmhg=self.peak,
            fico2_mmhg=self.inspired,
            period_s=None if self.last_start is None else start - self.last_start,
            reference=reference,
        )
        self.last_start = start
        self.swing = self.peak - (self.inspired if self.inspired is not None else 0.0)
        return breath

    def _inspiring(self, t: float, co2: float, dt: float, turn: float) -> None:
        if co2 <= self.lowest:
            self.lowest, self.lowest_t = co2, t
            self.trough = min(self.trough, co2)
        elif co2 - self.lowest >= turn:
            self._turn_up(co2)
        else:
            self.lowest += (co2 - self.lowest) * min(1.0, dt / DRIFT_TAU_S)

    def _forget(self) -> None:
        """Samples were lost: the breath under way is not counted."""
        self.begun = False
        self.rising = None
        self.start_t = self.inspired = self.last_start = None
