"""What a monitor makes of the animal: the CO2 analyser, breaths counted in CO2, saturation."""

from __future__ import annotations

import math
from collections import deque
from random import Random
from statistics import median

from adapters.simulator.scenario import GAS_STEP_MS, MonitorSpec
from service.physiology.gas_exchange import TIME_CONSTANTS_10_90

_MS_PER_S = 1000.0
_S_PER_MIN = 60.0
#: CO2 (mmHg) has risen as in a breath by the one over its lowest, and fallen again under the
#: other, or to half its peak where the animal breathes CO2 in.
_RISEN_MMHG = 8.0
_FALLEN_MMHG = 4.0
#: Without a breath for this long (or three usual periods) the monitor shows none.
_APNOEA_S = 20.0
_APNOEA_PERIODS = 3.0
_PERIODS = 4
#: Peak pressure is shown over at least this long, or a bit more than one breath.
_PIP_WINDOW_S = 4
_MAX_PIP_WINDOW_S = 30
_CARDIAC_PAW_CMH2O = 0.03
_CARDIAC_CO2_SHARE = 0.01
_PULSE_SD_SHARE = 0.008
_PULSE_MEMORY = 0.9
_SPO2_SD = 0.15
_TEMPERATURE_SD_C = 0.02
#: An anaesthetised small animal on a warm table still cools a little.
_COOLING_C_PER_S = 0.0001


class Monitor:
    """The sensors of one place. Times in ms on the simulation's own clock."""

    def __init__(self, spec: MonitorSpec, seed: str) -> None:
        self._spec = spec
        self._lag = -math.expm1(
            -GAS_STEP_MS / _MS_PER_S * TIME_CONSTANTS_10_90 / spec.co2_rise_10_90_s
        )
        self._noise_paw = Random(f"{seed}/paw")
        self._noise_co2 = Random(f"{seed}/co2")
        self._noise_rest = Random(f"{seed}/numerics")
        self._beat = 2.0 * math.pi * spec.pulse_rate_per_min / _S_PER_MIN / _MS_PER_S
        self._analyser = 0.0
        self._expired = False
        self._peak = self._trough = 0.0
        self.etco2 = self.fico2 = 0.0
        self._risen_ms: float | None = None
        self._seen_ms = -math.inf
        self._periods_s: deque[float] = deque(maxlen=_PERIODS)
        self._second_pip = -math.inf
        self._pips: deque[float] = deque(maxlen=_MAX_PIP_WINDOW_S)
        delay = max(1, round(spec.spo2_delay_s))
        average = max(1, round(spec.spo2_average_s))
        self._average = average
        self._saturations: deque[float] = deque(maxlen=delay + average)
        self._pulse = 0.0
        self._seconds = 0
        #: Share of the drawn gas that is none of the animal's.
        self.dilution = 0.0
        self.temperature_change_c = 0.0
        self.extra_noise_paw_cmh2o = self.extra_noise_co2_mmhg = 0.0

    def start(self) -> None:
        """The story begins now: slow changes count from here."""
        self._seconds = 0

    def scale_co2(self, factor: float) -> None:
        """Multiply what the analyser holds by `factor`."""
        self._analyser *= factor

    def tick(self, sensor_co2: float, airway_cmh2o: float) -> None:
        """Move the analyser on by 5 ms (mmHg), and note the airway pressure."""
        drawn = (1.0 - self.dilution) * sensor_co2
        self._analyser += (drawn - self._analyser) * self._lag
        self._second_pip = max(self._second_pip, airway_cmh2o)

    def detect(self, now_ms: int) -> None:
        """Look for breaths in the analyser's CO2."""
        co2 = self._analyser
        if self._expired:
            self._peak = max(self._peak, co2)
            if co2 < max(_FALLEN_MMHG, 0.5 * self._peak):
                self._expired = False
                self.etco2, self._trough = self._peak, co2
                self._seen_ms = now_ms
            return
        self._trough = min(self._trough, co2)
        if co2 > max(0.0, self._trough) + _RISEN_MMHG:
            self._expired, self._peak, self.fico2 = True, co2, self._trough
            if self._risen_ms is not None:
                self._periods_s.append((now_ms - self._risen_ms) / _MS_PER_S)
            self._risen_ms = float(now_ms)
            self._seen_ms = now_ms

    def second(self, saturation: float) -> None:
        """Once a second: saturation (0 to 1) on its way to the probe, pulse, peak pressure."""
        self._saturations.append(saturation)
        self._pips.append(self._second_pip)
        self._second_pip = -math.inf
        wander = self._noise_rest.gauss(0.0, _PULSE_SD_SHARE * math.sqrt(1 - _PULSE_MEMORY**2))
        self._pulse = _PULSE_MEMORY * self._pulse + wander
        self._seconds += 1

    def paw_sample(self, now_ms: int, airway_cmh2o: float) -> float:
        """Airway pressure as sampled, in cmH2O to 2 decimals."""
        beat = _CARDIAC_PAW_CMH2O * math.sin(self._beat * now_ms)
        sd = math.hypot(self._spec.paw_noise_cmh2o, self.extra_noise_paw_cmh2o)
        noise = self._noise_paw.gauss(0.0, sd)
        return round(airway_cmh2o + beat + noise, 2)

    def co2_sample(self, now_ms: int, *, blocked: bool = False) -> float:
        """CO2 as sampled, in mmHg to 2 decimals; of a blocked line its zero."""
        beat = 1.0 + _CARDIAC_CO2_SHARE * math.sin(self._beat * now_ms)
        sd = math.hypot(self._spec.co2_noise_mmhg, self.extra_noise_co2_mmhg)
        seen = 0.0 if blocked else self._analyser
        return round(seen * beat + self._noise_co2.gauss(0.0, sd), 2)

    @property
    def temperature_c(self) -> float:
        """Body temperature, without the sensor's noise."""
        cooled = _COOLING_C_PER_S * self._seconds
        return self._spec.temperature_c - cooled + self.temperature_change_c

    def values(self, now_ms: int) -> dict[str, tuple[float, str]]:
        """The numerics now: value and UCUM unit by name."""
        apnoea_s = _APNOEA_S
        period = median(self._periods_s) if self._periods_s else None
        if period is not None:
            apnoea_s = max(apnoea_s, _APNOEA_PERIODS * period)
        breathing = now_ms - self._seen_ms <= apnoea_s * _MS_PER_S
        rate = _S_PER_MIN / period if breathing and period else 0.0
        return {
            "etco2": (round(self.etco2 if breathing else 0.0, 1), "mm[Hg]"),
            "fico2": (round(max(0.0, self.fico2), 1), "mm[Hg]"),
            "rr": (round(rate, 1), "/min"),
            "spo2": (self._spo2(), "%"),
            "pulse_rate": (round(self._spec.pulse_rate_per_min * (1 + self._pulse)), "/min"),
            "pip": (round(self._pip(period), 1), "cm[H2O]"),
            "temperature": (self._temperature(), "Cel"),
        }

    def _spo2(self) -> float:
        seen = list(self._saturations)[: self._average]
        noise = self._noise_rest.gauss(0.0, _SPO2_SD)
        mean = sum(seen) / len(seen) if seen else 0.0
        return round(min(100.0, max(0.0, 100.0 * mean + noise)), 1)

    def _pip(self, period_s: float | None) -> float:
        window = _PIP_WINDOW_S if period_s is None else max(_PIP_WINDOW_S, math.ceil(period_s) + 1)
        recent = list(self._pips)[-window:]
        return max(recent) if recent else 0.0

    def _temperature(self) -> float:
        noise = self._noise_rest.gauss(0.0, _TEMPERATURE_SD_C)
        return round(self.temperature_c + noise, 1)
