"""The exact step of the linear lung and circuit: one matrix for one span of time.

Two pressures: p at the airway opening, x = V/C, the elastic pressure of the lung. With muscle
effort m (which pulls alveolar pressure to x - m):

    Cc dp/dt = Q + Gv (peep - p) - Go p - Gt (p - x + m)        C dx/dt = Gt (p - x + m)

Being linear with constant input it is solved exactly (Sylvester's formula), so the small time
constant of the circuit needs no small step.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple


@dataclass(frozen=True, slots=True)
class Paths:
    """Compliances in mL/cmH2O and conductances in mL/s per cmH2O around the airway opening."""

    lung_ml_per_cmh2o: float
    circuit_ml_per_cmh2o: float
    tube: float
    #: Everything open to atmosphere: leak, disconnection.
    outlet: float
    #: The exhalation valve, towards `peep_cmh2o`; zero when closed.
    valve: float
    peep_cmh2o: float
    flow_ml_per_s: float


class Step(NamedTuple):
    """p' = pp p + px x + pc + pe m, and x' = xp p + xx x + xc + xe m."""

    pp: float
    px: float
    pc: float
    pe: float
    xp: float
    xx: float
    xc: float
    xe: float


def _grown(rate: float, dt_s: float) -> float:
    return math.expm1(rate * dt_s) / rate if rate else dt_s


def transition(paths: Paths, dt_s: float) -> Step:
    """The exact step over `dt_s` seconds."""
    lung, circuit, tube = paths.lung_ml_per_cmh2o, paths.circuit_ml_per_cmh2o, paths.tube
    a, b = -(paths.outlet + paths.valve + tube) / circuit, tube / circuit
    c, d = tube / lung, -tube / lung
    middle = (a + d) / 2.0
    fast = middle - math.hypot((a - d) / 2.0, math.sqrt(b * c))
    # The determinant, written so that nothing cancels: exactly zero when nothing leads out.
    slow = tube / lung * (paths.outlet + paths.valve) / circuit / fast
    gap = slow - fast
    slow_exp, fast_exp = math.exp(slow * dt_s), math.exp(fast * dt_s)
    slow_int, fast_int = _grown(slow, dt_s), _grown(fast, dt_s)
    integral_pp = (slow_int * (a - fast) - fast_int * (a - slow)) / gap
    integral_px = (slow_int - fast_int) * b / gap
    integral_xp = (slow_int - fast_int) * c / gap
    integral_xx = (slow_int * (d - fast) - fast_int * (d - slow)) / gap
    drive = (paths.flow_ml_per_s + paths.valve * paths.peep_cmh2o) / circuit
    return Step(
        pp=(slow_exp * (a - fast) - fast_exp * (a - slow)) / gap,
        px=(slow_exp - fast_exp) * b / gap,
        pc=integral_pp * drive,
        pe=-integral_pp * b + integral_px * c,
        xp=(slow_exp - fast_exp) * c / gap,
        xx=(slow_exp * (d - fast) - fast_exp * (d - slow)) / gap,
        xc=integral_xp * drive,
        xe=-integral_xp * b + integral_xx * c,
    )
