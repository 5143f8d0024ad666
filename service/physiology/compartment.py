"""Compliance, resistance and tidal volume from what a constant-flow inflation shows.

Behind a circuit of compliance Cc lies one lung, C behind R (see `mechanics`). After the start
transient, whose time constant is R C Cc/(C + Cc), lung and airway rise together, and the airway
pressure is a straight line

    P(t) = PEEP + R Q (C/(C+Cc))^2 + Q t/(C+Cc)

so slope and offset of that line (its height over the baseline at the start of the flow) give C and
R. Source: the two mass balances of Bates, Lung Mechanics (2009), solved for equal slopes. Valid
without a leak and once the transient is over; with a leak the volume is an upper bound.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from service.physiology.timing import not_negative, positive
from service.physiology.uncertain import Z95, Uncertain, by_sd, by_share, difference, product

ML_PER_L: Final = 1000.0
#: A slope that is unsure by more (sd of its logarithm; a factor of 5 either way) tells nothing.
LEAST_SURE_SD: Final = 1.0


@dataclass(frozen=True, slots=True)
class Ramp:
    """Flow into the circuit and the line that airway pressure follows, with standard errors.

    Flow in mL/s, slope in cmH2O/s, offset in cmH2O, circuit compliance in mL/cmH2O. The errors of
    flow, slope and circuit are shares (standard deviation of the logarithm), that of the offset is
    in cmH2O; all four are taken as independent.
    """

    flow_ml_per_s: float
    slope_cmh2o_per_s: float
    offset_cmh2o: float
    circuit_ml_per_cmh2o: float = 0.0
    flow_share_sd: float = 0.0
    slope_share_sd: float = 0.0
    offset_sd_cmh2o: float = 0.0
    circuit_share_sd: float = 0.0

    def __post_init__(self) -> None:
        positive(flow_ml_per_s=self.flow_ml_per_s, slope_cmh2o_per_s=self.slope_cmh2o_per_s)
        not_negative(
            circuit_ml_per_cmh2o=self.circuit_ml_per_cmh2o,
            flow_share_sd=self.flow_share_sd,
            slope_share_sd=self.slope_share_sd,
            offset_sd_cmh2o=self.offset_sd_cmh2o,
            circuit_share_sd=self.circuit_share_sd,
        )
        if not math.isfinite(self.offset_cmh2o):
            raise ValueError(f"offset_cmh2o must be finite, not {self.offset_cmh2o!r}")


@dataclass(frozen=True, slots=True)
class Compartment:
    """What the ramp says of the lung: compliance and resistance, each with its 90 % interval."""

    compliance_ml_per_cmh2o: Uncertain
    resistance_cmh2o_s_per_l: Uncertain


def ramp_of(
    compliance_ml_per_cmh2o: float,
    resistance_cmh2o_s_per_l: float,
    flow_ml_per_s: float,
    circuit_ml_per_cmh2o: float = 0.0,
) -> tuple[float, float]:
    """Slope (cmH2O/s) and offset (cmH2O) of the line that this lung gives."""
    positive(compliance_ml_per_cmh2o=compliance_ml_per_cmh2o, flow_ml_per_s=flow_ml_per_s)
    not_negative(
        resistance_cmh2o_s_per_l=resistance_cmh2o_s_per_l,
        circuit_ml_per_cmh2o=circuit_ml_per_cmh2o,
    )
    total = compliance_ml_per_cmh2o + circuit_ml_per_cmh2o
    share = compliance_ml_per_cmh2o / total
    offset = flow_ml_per_s * resistance_cmh2o_s_per_l / ML_PER_L * share * share
    return flow_ml_per_s / total, offset


def compartment_of(ramp: Ramp) -> Compartment:
    """C = Q/slope - Cc and R = offset (1 + Cc/C)^2/Q, with 90 % intervals.

    ValueError when flow, slope and circuit are not known well enough to tell that there is a lung
    behind the circuit at all. An offset below zero (noise about a small step) is taken as zero.
    """
    total = ramp.flow_ml_per_s / ramp.slope_cmh2o_per_s
    unsure_sd = math.hypot(ramp.flow_share_sd, ramp.slope_share_sd)
    if unsure_sd > LEAST_SURE_SD:
        raise _no_lung(ramp)
    seen = by_share(total, unsure_sd)
    lung = difference(seen, _circuit(ramp.circuit_ml_per_cmh2o, ramp.circuit_share_sd))
    if lung.low <= 0.0:
        raise _no_lung(ramp)
    offset = by_sd(max(0.0, ramp.offset_cmh2o), ramp.offset_sd_cmh2o)
    return Compartment(lung, product(_resistance_of_1_cmh2o(ramp), offset).at_least(0.0))


def _resistance_of_1_cmh2o(ramp: Ramp) -> Uncertain:
    """What each cmH2O of offset means for R: (1 + Cc/C)^2/Q.

    C is Q/slope - Cc, so the three errors are not independent here. The factor is followed along
    the line on which it changes most, to 1.645 standard deviations either way.
    """
    swallowed = ramp.circuit_ml_per_cmh2o / (
        ramp.flow_ml_per_s / ramp.slope_cmh2o_per_s - ramp.circuit_ml_per_cmh2o
    )
    # How the logarithm of the factor changes for one standard deviation of each.
    steps = (
        -(1.0 + 2.0 * swallowed) * ramp.flow_share_sd,
        2.0 * swallowed * ramp.slope_share_sd,
        2.0 * swallowed * ramp.circuit_share_sd,
    )
    length = math.hypot(*steps) or 1.0

    def at(deviations: float) -> float:
        flow, slope, circuit = (
            value * math.exp(deviations * step / length * sd)
            for value, step, sd in zip(
                (ramp.flow_ml_per_s, ramp.slope_cmh2o_per_s, ramp.circuit_ml_per_cmh2o),
                steps,
                (ramp.flow_share_sd, ramp.slope_share_sd, ramp.circuit_share_sd),
                strict=True,
            )
        )
        total = flow / slope
        if total <= circuit:
            raise _no_lung(ramp)
        return ML_PER_L * (total / (total - circuit)) ** 2 / flow

    return Uncertain(at(0.0), at(-Z95), at(Z95))


def _no_lung(ramp: Ramp) -> ValueError:
    return ValueError(
        f"slope_cmh2o_per_s of {ramp.slope_cmh2o_per_s:g} tells no lung from a circuit of "
        f"{ramp.circuit_ml_per_cmh2o:g} mL/cmH2O"
    )


def _circuit(value: float, share_sd: float) -> Uncertain:
    return by_share(value, share_sd) if value > 0.0 else Uncertain(0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Breath:
    """One inflation as measured, with standard errors.

    Flow in mL/s, times in s, pressures in cmH2O, circuit in mL/cmH2O. The errors of flow and
    circuit are shares (sd of the logarithm); that of pressure holds for peak and baseline each.
    """

    flow_ml_per_s: float
    ti_s: float
    pip_cmh2o: float
    baseline_cmh2o: float
    circuit_ml_per_cmh2o: float = 0.0
    flow_share_sd: float = 0.0
    ti_sd_s: float = 0.0
    pressure_sd_cmh2o: float = 0.0
    circuit_share_sd: float = 0.0

    def __post_init__(self) -> None:
        positive(flow_ml_per_s=self.flow_ml_per_s)
        not_negative(
            ti_s=self.ti_s,
            circuit_ml_per_cmh2o=self.circuit_ml_per_cmh2o,
            flow_share_sd=self.flow_share_sd,
            ti_sd_s=self.ti_sd_s,
            pressure_sd_cmh2o=self.pressure_sd_cmh2o,
            circuit_share_sd=self.circuit_share_sd,
            rise_cmh2o=self.pip_cmh2o - self.baseline_cmh2o,
        )


def tidal_volume(breath: Breath) -> Uncertain:
    """VT = Q Ti - Cc (PIP - baseline) in mL with its 90 % interval; never below zero."""
    entered = product(
        by_share(breath.flow_ml_per_s, breath.flow_share_sd), by_sd(breath.ti_s, breath.ti_sd_s)
    )
    rise = by_sd(
        breath.pip_cmh2o - breath.baseline_cmh2o, math.sqrt(2.0) * breath.pressure_sd_cmh2o
    )
    circuit = _circuit(breath.circuit_ml_per_cmh2o, breath.circuit_share_sd)
    return difference(entered, product(circuit, rise)).at_least(0.0)
