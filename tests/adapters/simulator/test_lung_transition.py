"""The exact step of lung and circuit against SciPy's matrix exponential."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import expm

from adapters.simulator.transition import Paths, transition

CLOSED = Paths(
    lung_ml_per_cmh2o=0.45,
    circuit_ml_per_cmh2o=0.1,
    tube=1000.0 / 60.0,
    outlet=0.0,
    valve=0.0,
    peep_cmh2o=2.0,
    flow_ml_per_s=10.0,
)
CASES = {
    "inflating": CLOSED,
    "leaking": replace(CLOSED, outlet=0.7),
    "open": replace(CLOSED, valve=200.0),
    "disconnected": replace(CLOSED, outlet=1e4),
    "narrow": replace(CLOSED, tube=1.0),
    "rigid circuit": replace(CLOSED, circuit_ml_per_cmh2o=0.001),
    "occluded": replace(CLOSED, tube=1e-6),
    "occluded and open": replace(CLOSED, tube=1e-6, valve=200.0),
}


def _exact(paths: Paths, dt_s: float, start: tuple[float, float], effort: float) -> np.ndarray:
    """State after `dt_s` by the exponential of the augmented matrix, from the mass balances."""
    cc, c, gt = paths.circuit_ml_per_cmh2o, paths.lung_ml_per_cmh2o, paths.tube
    out = paths.valve + paths.outlet
    inflow = paths.flow_ml_per_s + paths.valve * paths.peep_cmh2o
    matrix = np.array(
        [
            [-(gt + out) / cc, gt / cc, (inflow - gt * effort) / cc],
            [gt / c, -gt / c, gt * effort / c],
            [0.0, 0.0, 0.0],
        ]
    )
    return np.asarray(expm(matrix * dt_s) @ np.array([*start, 1.0]))[:2]


@pytest.mark.parametrize("paths", CASES.values(), ids=CASES.keys())
@pytest.mark.parametrize("dt_s", [1e-5, 0.001, 0.05])
@pytest.mark.parametrize("effort", [0.0, 6.0])
def test_against_the_matrix_exponential(paths: Paths, dt_s: float, effort: float) -> None:
    step = transition(paths, dt_s)
    p, x = 7.0, 5.0
    ours = (
        step.pp * p + step.px * x + step.pc + step.pe * effort,
        step.xp * p + step.xx * x + step.xc + step.xe * effort,
    )
    assert ours == pytest.approx(_exact(paths, dt_s, (p, x), effort), rel=1e-6, abs=1e-8)


@pytest.mark.parametrize("paths", CASES.values(), ids=CASES.keys())
def test_many_small_steps_make_a_large_one(paths: Paths) -> None:
    small = transition(paths, 0.001)
    p, x = 7.0, 5.0
    for _ in range(50):
        p, x = (
            small.pp * p + small.px * x + small.pc,
            small.xp * p + small.xx * x + small.xc,
        )
    assert (p, x) == pytest.approx(_exact(paths, 0.05, (7.0, 5.0), 0.0), rel=1e-6, abs=1e-8)
