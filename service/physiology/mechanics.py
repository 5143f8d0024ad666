"""A single-compartment lung inflated at constant flow until a target pressure: closed forms.

The lung is one compliance C behind one resistance R; the circuit is a compliance Cc at the airway
opening, from which a leak of conductance G may escape. Flow Q enters the circuit. Pressures are
in cmH2O over atmosphere, volumes in mL, flows in mL/s, times in s; resistance in cmH2O.s/L.
Source: Bates, Lung Mechanics (2009), the linear single-compartment model. The forms with circuit
compliance and leak follow from the same mass balance:

    Cc dP/dt = Q - G P - (P - PA)/R        C dPA/dt = (P - PA)/R
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from service.physiology.timing import not_negative, positive

ML_PER_L: Final = 1000.0
#: A circuit this much smaller than the lung is as good as rigid (and would overflow the roots).
_RIGID_SHARE: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Lung:
    """Compliance of the respiratory system, resistance of airway and tube together."""

    compliance_ml_per_cmh2o: float
    resistance_cmh2o_s_per_l: float

    def __post_init__(self) -> None:
        positive(compliance_ml_per_cmh2o=self.compliance_ml_per_cmh2o)
        not_negative(resistance_cmh2o_s_per_l=self.resistance_cmh2o_s_per_l)

    @property
    def time_constant_s(self) -> float:
        """RC in s."""
        return self.resistance_cmh2o_s_per_l * self.compliance_ml_per_cmh2o / ML_PER_L


@dataclass(frozen=True, slots=True)
class Inflation:
    """How the lung is inflated: constant flow from `peep_cmh2o` until `pip_cmh2o` is reached.

    The lung starts in balance with `peep_cmh2o`, so give the total end-expiratory pressure there.
    """

    flow_ml_per_s: float
    pip_cmh2o: float
    peep_cmh2o: float = 0.0
    circuit_ml_per_cmh2o: float = 0.0
    leak_ml_per_s_per_cmh2o: float = 0.0

    def __post_init__(self) -> None:
        positive(flow_ml_per_s=self.flow_ml_per_s, pip_cmh2o=self.pip_cmh2o)
        not_negative(
            peep_cmh2o=self.peep_cmh2o,
            circuit_ml_per_cmh2o=self.circuit_ml_per_cmh2o,
            leak_ml_per_s_per_cmh2o=self.leak_ml_per_s_per_cmh2o,
        )
        if self.pip_cmh2o <= self.peep_cmh2o:
            raise ValueError(
                f"pip_cmh2o ({self.pip_cmh2o:g}) must be over peep_cmh2o ({self.peep_cmh2o:g})"
            )


def resistive_step_cmh2o(flow_ml_per_s: float, resistance_cmh2o_s_per_l: float) -> float:
    """The pressure step RQ at the start of a constant-flow inflation, in cmH2O."""
    not_negative(flow_ml_per_s=flow_ml_per_s, resistance_cmh2o_s_per_l=resistance_cmh2o_s_per_l)
    return flow_ml_per_s * resistance_cmh2o_s_per_l / ML_PER_L


def _grown(rate_per_s: float, t_s: float) -> float:
    """Integral of exp(rate s) from 0 to t, which is t itself for a rate of zero."""
    return math.expm1(rate_per_s * t_s) / rate_per_s if rate_per_s else t_s


def pressures_cmh2o(lung: Lung, inflation: Inflation, t_s: float) -> tuple[float, float]:
    """Airway and alveolar pressure in cmH2O, `t_s` seconds into an inflation without end."""
    not_negative(t_s=t_s)
    c, r = lung.compliance_ml_per_cmh2o, lung.resistance_cmh2o_s_per_l / ML_PER_L
    cc, g = inflation.circuit_ml_per_cmh2o, inflation.leak_ml_per_s_per_cmh2o
    # Flow that is left to fill lung and circuit at the start, and falls as the leak grows.
    surplus = inflation.flow_ml_per_s - g * inflation.peep_cmh2o
    if r == 0.0:
        rise = surplus / (c + cc) * _grown(-g / (c + cc), t_s)
        return inflation.peep_cmh2o + rise, inflation.peep_cmh2o + rise
    if cc < _RIGID_SHARE * c:
        share = 1.0 / (1.0 + g * r)
        alveolar = share * surplus / c * _grown(-g * share / c, t_s)
        airway = share * (alveolar + r * surplus)
        return inflation.peep_cmh2o + airway, inflation.peep_cmh2o + alveolar
    airway, alveolar = _two_compartments(lung, inflation, surplus, t_s)
    return inflation.peep_cmh2o + airway, inflation.peep_cmh2o + alveolar


def _two_compartments(
    lung: Lung, inflation: Inflation, surplus_ml_per_s: float, t_s: float
) -> tuple[float, float]:
    """Rise of airway and alveolar pressure with R and Cc both present (Sylvester's formula)."""
    c, r = lung.compliance_ml_per_cmh2o, lung.resistance_cmh2o_s_per_l / ML_PER_L
    cc, g = inflation.circuit_ml_per_cmh2o, inflation.leak_ml_per_s_per_cmh2o
    airway_rate, lung_rate = (g + 1.0 / r) / cc, 1.0 / (r * c)
    middle = -(airway_rate + lung_rate) / 2.0
    # The product of both rates is g / (r c cc); found so, it is exactly zero without a leak.
    product = g / (r * c * cc)
    half_gap = math.sqrt(middle * middle - product)
    fast = middle - half_gap
    slow = product / fast
    slow_grown, fast_grown = _grown(slow, t_s), _grown(fast, t_s)
    start = surplus_ml_per_s / cc / (slow - fast)
    airway = start * ((slow + lung_rate) * slow_grown - (fast + lung_rate) * fast_grown)
    return airway, start * lung_rate * (slow_grown - fast_grown)


def inflation_time_s(lung: Lung, inflation: Inflation) -> float:
    """Ti in s until the airway reaches the target; infinite when a leak keeps it below.

    Without circuit compliance and leak this is C (PIP - PEEP - RQ) / Q, and zero when the
    resistive step alone reaches the target.
    """
    leak = inflation.leak_ml_per_s_per_cmh2o
    if leak > 0.0 and inflation.flow_ml_per_s / leak <= inflation.pip_cmh2o:
        return math.inf

    def short_of_target(t_s: float) -> bool:
        return pressures_cmh2o(lung, inflation, t_s)[0] < inflation.pip_cmh2o

    if not short_of_target(0.0):
        return 0.0
    low, high = 0.0, 1.0
    while short_of_target(high):
        low, high = high, 2.0 * high
    # The airway pressure only rises, so halving the interval finds the one crossing.
    while (middle := (low + high) / 2.0) not in (low, high):
        if short_of_target(middle):
            low = middle
        else:
            high = middle
    return high


def inflation_volume_ml(lung: Lung, inflation: Inflation) -> float:
    """Volume in mL that the lung has gained at cycle-off; infinite as the time is."""
    ti_s = inflation_time_s(lung, inflation)
    if math.isinf(ti_s):
        return math.inf
    alveolar = pressures_cmh2o(lung, inflation, ti_s)[1]
    return lung.compliance_ml_per_cmh2o * (alveolar - inflation.peep_cmh2o)


def tidal_volume_ml(
    flow_ml_per_s: float,
    ti_s: float,
    circuit_ml_per_cmh2o: float,
    pip_cmh2o: float,
    baseline_cmh2o: float,
) -> float:
    """VT = Q Ti - Cc (PIP - baseline), in mL: what entered less what the circuit swallowed.

    Exact without a leak, by mass balance; with one it is an upper bound. Never below zero.
    """
    not_negative(flow_ml_per_s=flow_ml_per_s, ti_s=ti_s, circuit_ml_per_cmh2o=circuit_ml_per_cmh2o)
    if not math.isfinite(pip_cmh2o):
        raise ValueError(f"pip_cmh2o must be finite, not {pip_cmh2o!r}")
    if not math.isfinite(baseline_cmh2o) or baseline_cmh2o > pip_cmh2o:
        raise ValueError(f"baseline_cmh2o must be finite and not over pip, not {baseline_cmh2o!r}")
    volume = flow_ml_per_s * ti_s - circuit_ml_per_cmh2o * (pip_cmh2o - baseline_cmh2o)
    # A totally occluded tube takes nothing: rounding alone must not make that negative.
    return max(0.0, volume)


def share_left(t_s: float, time_constant_s: float) -> float:
    """Share (0 to 1) of the tidal volume still in the lung after `t_s` of free exhalation."""
    not_negative(t_s=t_s)
    positive(time_constant_s=time_constant_s)
    return math.exp(-t_s / time_constant_s)


def auto_peep_fixed_volume_cmh2o(lung: Lung, tidal_volume_ml: float, te_s: float) -> float:
    """Auto-PEEP in cmH2O over the set PEEP when each breath has the same volume.

    (VT/C) / (exp(Te/RC) - 1): Marini & Crooke, Am Rev Respir Dis 1993;147:14 (from memory).
    """
    not_negative(tidal_volume_ml=tidal_volume_ml)
    positive(te_s=te_s, time_constant_s=lung.time_constant_s)
    stretch = tidal_volume_ml / lung.compliance_ml_per_cmh2o
    # The same fraction with exp(-Te/RC), which cannot overflow for a quick lung and a long Te.
    left = share_left(te_s, lung.time_constant_s)
    return stretch * left / -math.expm1(-te_s / lung.time_constant_s)


def auto_peep_pressure_cycled_cmh2o(
    lung: Lung, flow_ml_per_s: float, pip_cmh2o: float, te_s: float
) -> float:
    """Auto-PEEP in cmH2O of pressure-cycled breaths without set PEEP: (PIP - RQ) exp(-Te/RC)."""
    positive(pip_cmh2o=pip_cmh2o, te_s=te_s)
    step = resistive_step_cmh2o(flow_ml_per_s, lung.resistance_cmh2o_s_per_l)
    if step >= pip_cmh2o:
        raise ValueError(f"pip_cmh2o ({pip_cmh2o:g}) is not over the resistive step ({step:g})")
    return (pip_cmh2o - step) * share_left(te_s, lung.time_constant_s)


def mean_airway_pressure_cmh2o(
    ti_s: float, te_s: float, pip_cmh2o: float, peep_cmh2o: float = 0.0, step_cmh2o: float = 0.0
) -> float:
    """Mean airway pressure in cmH2O of a ramp from PEEP + step to PIP, then PEEP for Te.

    [((PEEP + RQ) + PIP)/2 Ti + PEEP Te] / (Ti + Te). With a step of PIP - PEEP the inflation is
    a square wave, with no step a plain ramp.
    """
    positive(ti_s=ti_s, te_s=te_s)
    not_negative(pip_cmh2o=pip_cmh2o, peep_cmh2o=peep_cmh2o, step_cmh2o=step_cmh2o)
    inspired = (peep_cmh2o + step_cmh2o + pip_cmh2o) / 2.0
    return (inspired * ti_s + peep_cmh2o * te_s) / (ti_s + te_s)
