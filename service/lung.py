"""What an inflation says of the lung: tidal volume, compliance, resistance, each with an interval.

Without a flow sensor the volume is what the flowmeter let in less what the circuit swallowed, VT =
Q Ti - Cc (PIP - baseline); its 90 % interval comes from the errors of flowmeter, timing, pressure
and circuit, which are independent:

| error | standard deviation | source |
|---|---|---|
| flowmeter | 4 % of the reading | common practice, no source (5 to 10 % for most) |
| timing | as read from the samples, and 1 % for the form of the ramp | the ramp's fit |
| pressure | as read, and 0.1 cmH2O of the sensor at any height | common practice, no source |
| circuit compliance | 15 % of what is set | common practice, no source |

With a leak the volume is an upper bound, and the low end takes what the bend of the ramp says has
leaked (Bates, Lung Mechanics, 2009: the flow left falls as pressure rises). Where the circuit is
not known the low end takes it for up to a third of all that is compressed. With a flow sensor the
integral is used instead.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from service.known import SettingsInfo
from service.physiology.compartment import Breath, Ramp, compartment_of, tidal_volume
from service.physiology.uncertain import Uncertain
from service.signals.kinds import Inflation

FLOW_SHARE_SD: Final = 0.04
CIRCUIT_SHARE_SD: Final = 0.15
PRESSURE_SD_CMH2O: Final = 0.1
LEAST_TI_SD_S: Final = 0.001
TI_FORM_SD: Final = 0.01
#: A ramp flags beyond doubt when its bend lies so far, and so many standard errors, under 1.
FLAGS: Final = 0.1
FLAGS_SD: Final = 2.0
FLAGS_FORM: Final = 0.05
#: How far a ramp that still bends from its foot misleads its slope.
SLOPE_FORM_SD: Final = 0.01
UNKNOWN_CIRCUIT_SHARE: Final = 0.33
_SQRT_2: Final = math.sqrt(2.0)
_S_PER_MIN: Final = 60.0

Method = Literal["flow-and-time", "flow-wave"]


@dataclass(frozen=True, slots=True)
class LungReading:
    """Volume in mL, compliance in mL/cmH2O, resistance in cmH2O.s/L; None where not known."""

    tidal_ml: Uncertain
    method: Method
    compliance: Uncertain | None = None
    resistance: Uncertain | None = None


def flow_ml_per_s(settings: SettingsInfo | None) -> float | None:
    """Fresh gas flow as set."""
    if settings is None or not settings.fresh_gas_flow:
        return None
    return settings.fresh_gas_flow / _S_PER_MIN


def lung_of(
    inflation: Inflation, settings: SettingsInfo | None, integral: Uncertain | None = None
) -> LungReading | None:
    """What one inflation says; None while neither flow setting nor flow wave is there."""
    flow = flow_ml_per_s(settings)
    if flow is None or settings is None:
        return None if integral is None else LungReading(integral, "flow-wave")
    compliance, resistance = _compartment(inflation, flow, settings.circuit_compliance)
    if integral is not None:
        return LungReading(integral, "flow-wave", compliance, resistance)
    circuit = settings.circuit_compliance
    volume = tidal_volume(
        Breath(
            flow_ml_per_s=flow,
            ti_s=inflation.ti_s,
            pip_cmh2o=inflation.pip_cmh2o,
            baseline_cmh2o=min(inflation.baseline_cmh2o, inflation.pip_cmh2o),
            circuit_ml_per_cmh2o=circuit or 0.0,
            flow_share_sd=FLOW_SHARE_SD,
            ti_sd_s=math.hypot(inflation.ti_sd_s, LEAST_TI_SD_S, TI_FORM_SD * inflation.ti_s),
            pressure_sd_cmh2o=math.hypot(inflation.pip_sd_cmh2o, PRESSURE_SD_CMH2O),
            circuit_share_sd=CIRCUIT_SHARE_SD,
        )
    )
    if circuit is None:
        low = (1.0 - UNKNOWN_CIRCUIT_SHARE) * volume.low
        volume = Uncertain(volume.value, low, volume.high)
    leaked_ml = _leaked_share(inflation) * flow * inflation.ti_s
    volume = Uncertain(volume.value, max(0.0, volume.low - leaked_ml), volume.high)
    return LungReading(volume, "flow-and-time", compliance, resistance)


def _leaked_share(inflation: Inflation) -> float:
    """The share of an inflation's gas that has leaked at most, by how much its ramp flags."""
    bend, sd = inflation.bend, inflation.bend_sd
    if bend is None or sd is None or bend > 1.0 - max(FLAGS, FLAGS_SD * sd):
        return 0.0
    # A parabola through a rise that flags lies over its slope at the end by some hundredths.
    least = max(0.02, bend - max(FLAGS_FORM, FLAGS_SD * sd))
    base, peak = max(0.0, inflation.baseline_cmh2o), inflation.pip_cmh2o
    # The leak is in proportion to pressure, so some of it was there at the baseline.
    at_start = 0.0
    if 0.0 < base < peak:
        at_start = (1.0 - least) / (peak / base - least)
    # What is left falls by e-folds from the start to the end: its mean is that of an exponential.
    mean = (1.0 - least) / -math.log(least)
    return min(1.0, 1.0 - (1.0 - at_start) * mean)


def _compartment(
    inflation: Inflation, flow: float, circuit: float | None
) -> tuple[Uncertain | None, Uncertain | None]:
    """Compliance and resistance from slope and step; None where they tell no lung."""
    slope, step = inflation.slope_cmh2o_per_s, inflation.step_cmh2o
    if circuit is None or slope is None or step is None or slope <= 0.0:
        return None, None
    slope_sd = inflation.slope_sd_cmh2o_per_s or 0.0
    # The sensor's error at either end of the ramp.
    height = max(PRESSURE_SD_CMH2O, slope * inflation.ti_s)
    try:
        found = compartment_of(
            Ramp(
                flow_ml_per_s=flow,
                slope_cmh2o_per_s=slope,
                offset_cmh2o=step,
                circuit_ml_per_cmh2o=circuit,
                flow_share_sd=FLOW_SHARE_SD,
                slope_share_sd=math.hypot(
                    slope_sd / slope, SLOPE_FORM_SD, _SQRT_2 * PRESSURE_SD_CMH2O / height
                ),
                offset_sd_cmh2o=math.hypot(
                    inflation.step_sd_cmh2o or 0.0, _SQRT_2 * PRESSURE_SD_CMH2O
                ),
                circuit_share_sd=CIRCUIT_SHARE_SD,
            )
        )
    except ValueError:
        # The circuit alone could explain the slope: nothing is known of a lung behind it.
        return None, None
    return found.compliance_ml_per_cmh2o, found.resistance_cmh2o_s_per_l
