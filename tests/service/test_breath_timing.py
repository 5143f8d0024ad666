"""Breaths of simple waves: times, pressures, rate and I:E as the definitions give them.

Definitions (ISO 19223 terms): RR = 60/(Ti+Te), I:E = 1:(Te/Ti), mean pressure is the time average.
Tolerances: Ti within two samples, peak pressure within 0.3 cmH2O, mean pressure within 2 %.
"""

from __future__ import annotations

import pytest
from wave_shapes import RATE_HZ, Shape, Ventilation, after_s, find, ramp, square

TWO_SAMPLES_S = 2.0 / RATE_HZ + 1e-6
PIP_CMH2O = 0.3
MEAN_SHARE = 0.02

# Computed from the definitions: Ti, Te, rate /min, x of 1:x.
TABLE = [
    (0.6, 2.0, 23.08, 3.333),
    (0.5, 1.0, 40.00, 2.0),
    (0.3, 0.7, 60.00, 2.333),
    (1.0, 2.0, 20.00, 2.0),
    (1.0, 4.0, 12.00, 4.0),
]


def stepped(share: float) -> float:
    """A ramp from a tenth of its height on: what flow through a tube does to the airway."""
    return 0.1 + 0.9 * share


@pytest.mark.parametrize(
    ("shape", "noise"), [(square, 0.0), (square, 0.07), (ramp, 0.0), (stepped, 0.07)]
)
@pytest.mark.parametrize(("ti_s", "te_s", "rate", "ratio"), TABLE)
def test_times_rate_and_ratio(
    ti_s: float, te_s: float, rate: float, ratio: float, shape: Shape, noise: float
) -> None:
    wave = Ventilation(ti_s, te_s, shape=shape, noise=noise)
    inflations, breaths = find(wave.samples(12))
    assert len(inflations) == len(breaths) == 12
    # The last sample lies up to one sample's rise under the peak.
    sampled = PIP_CMH2O + 10.0 / ti_s / RATE_HZ
    for number, inflation in enumerate(inflations):
        assert after_s(inflation) == pytest.approx(number * wave.period_s, abs=TWO_SAMPLES_S)
        assert inflation.ti_s == pytest.approx(ti_s, abs=TWO_SAMPLES_S)
        assert inflation.pip_cmh2o == pytest.approx(12.0, abs=sampled)
        assert inflation.baseline_cmh2o == pytest.approx(2.0, abs=PIP_CMH2O)
    for breath in breaths[:-1]:
        assert breath.te_s == pytest.approx(te_s, abs=TWO_SAMPLES_S)
    # Over some breaths the error of one sample averages out.
    periods = [i.period_s for i in inflations[1:] if i.period_s is not None]
    assert len(periods) == 11
    assert 60.0 * len(periods) / sum(periods) == pytest.approx(rate, rel=0.005)
    ratios = [b.te_s / b.inflation.ti_s for b in breaths if b.te_s is not None]
    one_sample = (ratio + 1.0) / (RATE_HZ * ti_s)
    assert sum(ratios) / len(ratios) == pytest.approx(ratio, abs=one_sample)


@pytest.mark.parametrize(("shape", "mean", "share"), [(square, 4.308, 0.002), (ramp, 3.154, 0.01)])
def test_mean_pressure(shape: Shape, mean: float, share: float) -> None:
    # Computed: PIP 12, PEEP 2, Ti 0.6, Te 2.0; square (12 x 0.6 + 2 x 2)/2.6, ramp (7 x 0.6 +
    # 2 x 2)/2.6. The samples of a ramp lie half a sample's rise under it on average.
    wave = Ventilation(0.6, 2.0, shape=shape)
    _, breaths = find(wave.samples(8))
    for breath in breaths[:-1]:
        assert breath.mean_cmh2o == pytest.approx(mean, rel=share)


# Single compartment at constant flow (Bates 2009, Lung Mechanics): the airway steps up by R Q, then
# rises by Q/C a second until PIP. Computed: Ti = C (PIP - PEEP - R Q) / Q, VT = Q Ti,
# mean = [((PEEP + R Q) + PIP)/2 Ti + PEEP Te] / (Ti + Te).
COMPARTMENTS = [
    # C mL/cmH2O, R cmH2O.s/L, Q mL/s, Ti s, R Q cmH2O, mean cmH2O, rate /min
    (0.45, 60.0, 10.0, 0.4230, 0.600, 2.925, 24.76),
    (4.9, 11.3, 60.0, 0.7613, 0.678, 3.472, 21.73),
    (0.225, 60.0, 10.0, 0.2115, 0.600, None, None),
    (0.45, 120.0, 10.0, 0.3960, 1.200, None, None),
]


@pytest.mark.parametrize(
    ("compliance", "resistance", "flow", "ti_s", "step", "mean", "rate"), COMPARTMENTS
)
def test_single_compartment(
    compliance: float,
    resistance: float,
    flow: float,
    ti_s: float,
    step: float,
    mean: float | None,
    rate: float | None,
) -> None:
    assert ti_s == pytest.approx(compliance * (10.0 - resistance * flow / 1000.0) / flow, abs=1e-4)
    assert step == pytest.approx(resistance * flow / 1000.0)
    wave = Ventilation(ti_s, 2.0, shape=lambda share: (step + (10.0 - step) * share) / 10.0)
    inflations, breaths = find(wave.samples(10))
    assert len(inflations) == 10
    for inflation in inflations:
        assert inflation.ti_s == pytest.approx(ti_s, abs=TWO_SAMPLES_S)
        # A sample more or less moves the line by what pressure rises in one sample.
        per_sample = flow / compliance / RATE_HZ
        assert inflation.pip_cmh2o == pytest.approx(12.0, abs=PIP_CMH2O + per_sample)
        assert inflation.step_cmh2o == pytest.approx(step, abs=0.05 + per_sample)
        assert inflation.slope_cmh2o_per_s == pytest.approx(flow / compliance, rel=0.02)
    if mean is not None and rate is not None:
        assert breaths[5].mean_cmh2o == pytest.approx(mean, rel=MEAN_SHARE)
        period_s = inflations[5].period_s
        assert period_s is not None
        assert 60.0 / period_s == pytest.approx(rate, abs=1.0)


@pytest.mark.parametrize("rate_hz", [25.0, 50.0, 125.0, 500.0])
def test_other_sample_rates(rate_hz: float) -> None:
    wave = Ventilation(0.8, 2.2)
    inflations, _ = find(wave.samples(8, rate_hz=rate_hz))
    assert len(inflations) == 8
    for inflation in inflations:
        assert inflation.ti_s == pytest.approx(0.8, abs=max(2.0 / rate_hz, 0.01) + 1e-6)


def test_the_last_breath_has_no_expiratory_time() -> None:
    _, breaths = find(Ventilation().samples(3))
    assert [breath.te_s is None for breath in breaths] == [False, False, True]
