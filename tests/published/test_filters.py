"""Small filters of the service against the same from reference libraries (NumPy, SciPy)."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import maximum_filter1d, minimum_filter1d
from scipy.optimize import brentq, curve_fit

from service.physiology import flow_volume
from service.signals.foot import settle
from service.signals.lines import CURVED, fit
from service.signals.windows import Extremes

RATE_HZ = 50
Array = npt.NDArray[np.float64]


@pytest.mark.parametrize("seconds", [5, 10])
def test_extremes_of_a_window_are_those_of_scipy(seconds: int) -> None:
    # scipy.ndimage running maximum and minimum; ours is right to within half a second.
    rng = np.random.default_rng(5)
    values = np.cumsum(rng.standard_normal(3000))
    for name, filtered, part in (
        ("lowest", minimum_filter1d, 0),
        ("highest", maximum_filter1d, 1),
    ):
        extremes = Extremes()
        for number, value in enumerate(values):
            extremes.add(number / RATE_HZ, float(value))
            if number < 600 or number % 7:
                continue
            ours = extremes.over(number / RATE_HZ, seconds)
            assert ours is not None
            bounds = []
            for length in (seconds - 0.5, seconds):
                size = round(length * RATE_HZ)
                window = values[number - size + 1 : number + 1]
                # The filter's value in the middle of the window is that of the whole window.
                bounds.append(float(filtered(window, 2 * size + 1, mode="nearest")[size // 2]))
            assert min(bounds) <= ours[part] <= max(bounds), name


@settings(max_examples=60)
@given(
    slope=st.floats(-5.0, 60.0),
    bow=st.floats(-40.0, 40.0),
    seed=st.integers(0, 10_000),
    noise=st.floats(0.01, 0.3),
    count=st.integers(8, 60),
)
def test_line_and_parabola_are_those_of_numpy(
    slope: float, bow: float, seed: int, noise: float, count: int
) -> None:
    # numpy.polyfit with its covariance, on times that are not even.
    rng = np.random.default_rng(seed)
    times = np.cumsum(rng.uniform(0.5, 1.5, count)) / RATE_HZ
    values = 3.0 + slope * times + bow * times**2 + noise * rng.standard_normal(count)
    samples = list(zip(times.tolist(), values.tolist(), strict=True))
    straight = fit(samples, may_bend=False)
    line, line_cov = np.polyfit(times, values, 1, cov=True)
    assert straight.slope == pytest.approx(line[0], rel=1e-6, abs=1e-6)
    assert straight.at(0.2) == pytest.approx(np.polyval(line, 0.2), rel=1e-6, abs=1e-6)
    assert straight.slope_sd == pytest.approx(np.sqrt(line_cov[0, 0]), rel=1e-6)
    parabola, cov = np.polyfit(times, values, 2, cov=True)
    curve = fit(samples)
    assert curve.bow == pytest.approx(parabola[0], rel=1e-5, abs=1e-4)
    assert curve.bow_sd == pytest.approx(np.sqrt(cov[0, 0]), rel=1e-4)
    beyond_doubt = abs(parabola[0]) > CURVED * np.sqrt(cov[0, 0])
    expected = np.polyval(parabola if beyond_doubt else line, 0.2)
    assert curve.at(0.2) == pytest.approx(expected, rel=1e-5, abs=1e-4)


@pytest.mark.parametrize("seed", range(12))
def test_foot_of_a_ramp_is_scipys_least_squares(seed: int) -> None:
    # scipy.optimize.curve_fit of the same two-compartment form, all five numbers free.
    rng = np.random.default_rng(seed)
    start, tau, step, slope = 0.4 + rng.uniform(0, 0.01), rng.uniform(0.02, 0.06), 2.0, 8.0
    times = np.arange(0.0, 1.4, 0.01)

    def form(t: Array, t0: float, time: float, height: float, steep: float, rest: float) -> Array:
        u = np.maximum(t - t0, 0.0)
        return rest + steep * u + height * (1.0 - np.exp(-u / time))

    values = form(times, start, tau, step, slope, 1.0) + 0.02 * rng.standard_normal(len(times))
    truth = (start, tau, step, slope, 1.0)
    best, cov = curve_fit(form, times, values, p0=truth)
    samples = list(zip(times.tolist(), values.tolist(), strict=True))
    ramp = [s for s in samples if s[0] > 0.45]
    first = fit([s for s in samples if s[0] > 0.7])
    before = [s for s in samples if s[0] <= 0.45]
    base = float(np.mean(values[times < 0.38]))
    foot = settle(before, ramp, first, base, 0.43, 1.4)
    assert foot is not None
    # Line and foot in turn come as close to the truth as all at once, within its standard error.
    error = float(np.sqrt(cov[0, 0]))
    assert foot.start_s == pytest.approx(best[0], abs=2.0 * error)
    assert foot.tau_s == pytest.approx(best[1], abs=2.5 * float(np.sqrt(cov[1, 1])))
    assert foot.curve.slope == pytest.approx(best[3], abs=2.5 * float(np.sqrt(cov[3, 3])))


@settings(max_examples=60)
@given(seed=st.integers(0, 10_000))
def test_weights_of_samples_are_numpys_cells(seed: int) -> None:
    # numpy.gradient gives the time each inner sample stands for; the volume is their weighted sum.
    rng = np.random.default_rng(seed)
    times = np.cumsum(rng.uniform(0.005, 0.03, 60))
    flows = rng.uniform(-5.0, 5.0, 60)
    cells = np.array([(later - earlier) / 2.0 for earlier, later in pairwise(times)])
    inner = np.concatenate([[cells[0]], cells]) + np.concatenate([cells, [cells[-1]]])
    span = (float(times[0] - cells[0]), float(times[-1] + cells[-1]))
    start, end = float((times[9] + times[10]) / 2), float((times[29] + times[30]) / 2)
    found = flow_volume.integrated_volume_ml(times.tolist(), flows.tolist(), [(start, end)])
    zero = float(np.sum(inner * flows) / (span[1] - span[0]))
    assert found.offset_ml_per_s == pytest.approx(zero, rel=1e-9, abs=1e-9)
    volume = float(np.sum(inner[10:30] * (flows[10:30] - zero)))
    assert found.volume_ml.value == pytest.approx(max(0.0, volume), rel=1e-9, abs=1e-9)


def test_zero_of_the_flow_is_the_root_of_what_went_in_and_out() -> None:
    # scipy.optimize.brentq: the offset at which as much comes out as went in.
    rng = np.random.default_rng(8)
    times = (np.arange(200) + 0.5) / 100.0
    flows = np.where(times < 0.5, 8.0, -3.0) + 1.7 + 0.2 * rng.standard_normal(200)
    root = brentq(lambda zero: float(np.sum(flows - zero)), -20.0, 20.0)
    found = flow_volume.integrated_volume_ml(times.tolist(), flows.tolist(), [(0.0, 0.5)])
    assert found.offset_ml_per_s == pytest.approx(root, rel=1e-9)
