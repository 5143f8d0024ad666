"""Small filters of the service against the same from reference libraries (NumPy, SciPy)."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import maximum_filter1d, minimum_filter1d
from scipy.optimize import brentq

from service.physiology import flow_volume
from service.signals.onset import onset_s
from service.signals.windows import Extremes

RATE_HZ = 50


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
    level=st.floats(-2.0, 6.0),
    slope=st.floats(5.0, 60.0),
    split=st.integers(4, 12),
    seed=st.integers(0, 10_000),
    noise=st.floats(0.0, 0.3),
)
def test_onset_is_the_best_of_all_splits_by_numpy(
    level: float, slope: float, split: int, seed: int, noise: float
) -> None:
    # numpy.polyfit on every split: a level part and a straight rise, least squared error.
    rng = np.random.default_rng(seed)
    times = np.arange(split + 10) / RATE_HZ
    pressure = level + slope * np.maximum(0.0, times - times[split - 1])
    pressure = pressure + noise * rng.standard_normal(len(times))
    samples = list(zip(times.tolist(), pressure.tolist(), strict=True))
    before, after = samples[: split + 2], samples[split + 2 :]

    def error(at: int) -> float:
        rest, rise = pressure[:at], pressure[at:]
        line = np.polyval(np.polyfit(times[at:], rise, 1), times[at:])
        return float(np.sum((rest - rest.mean()) ** 2) + np.sum((rise - line) ** 2))

    errors = {at: error(at) for at in range(2, min(len(before) + 2, len(samples) - 3) + 1)}
    found = round(onset_s(before, after) * RATE_HZ) + 1
    assert errors[found] == pytest.approx(min(errors.values()), abs=1e-6)


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
