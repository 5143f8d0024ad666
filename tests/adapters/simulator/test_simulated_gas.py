"""Simulated carbon dioxide, oxygen and own breathing against the gas equations."""

from __future__ import annotations

import itertools
import math
from typing import Any

import pytest
from simulator_bench import (
    LARGE,
    PLACE,
    SMALL,
    START_MS,
    Animal,
    known,
    numeric_at,
    numerics,
    run,
    samples,
    scenario,
)

from adapters.simulator.monitor import Monitor
from adapters.simulator.ward import SimulatedWard
from service.physiology import gas_exchange

STOP = {"kind": "settings", "mode": "standby"}


def _expected_co2(ward: SimulatedWard, animal: Animal) -> float:
    """0.863 VCO2/VA from the true breaths."""
    breath = ward.breaths(PLACE)[-1]
    assert breath.te_s is not None
    ventilation = gas_exchange.alveolar_ventilation_ml_per_min(
        breath.lung_volume_ml, animal["lung"]["dead_space_ml"], 60.0 / (breath.ti_s + breath.te_s)
    )
    return gas_exchange.arterial_co2_mmhg(animal["gas"]["co2_output_ml_per_min"], ventilation)


@pytest.mark.parametrize("animal", [SMALL, LARGE])
def test_steady_state(animal: Animal) -> None:
    # PaCO2 = 0.863 VCO2/VA. CO2 goes on rising while a breath is breathed out, so that its end is
    # a little over the mean that the equation is about; the more so, the smaller the lung.
    ward, sent = run(30.0, animal)
    end_tidal = numeric_at(sent, "etco2", 30)
    assert end_tidal == pytest.approx(_expected_co2(ward, animal), rel=0.10)
    assert end_tidal > _expected_co2(ward, animal) * 0.97


def test_what_is_made_is_breathed_out() -> None:
    # Conservation: over whole breaths in the steady state elimination equals production.
    ward, _ = run(10.0, LARGE)
    gas = ward._places[PLACE].animal.gas
    breath = ward.breaths(PLACE)[-1]
    assert breath.te_s is not None
    period_ms = 1000.0 * (breath.ti_s + breath.te_s)
    # Both ends lie late in an expiration, where nothing moves.
    first_ms = breath.start_ms + 5.0 * period_ms - 300.0
    ward.advance(round(first_ms))
    before, blood = gas.eliminated_ml, gas.blood_co2
    ward.advance(round(first_ms + 20.0 * period_ms))
    per_min = (gas.eliminated_ml - before) / (20.0 * period_ms / 60_000.0)
    assert per_min == pytest.approx(35.0, rel=0.005)
    assert gas.blood_co2 == pytest.approx(blood, rel=0.002)


def test_halving_ventilation_doubles_co2_in_the_end() -> None:
    # Textbook: half the alveolar ventilation, twice the PaCO2. Te is set so that the rate halves.
    ward = SimulatedWard(
        scenario(SMALL, [{"at_s": 1.0, "kind": "settings", "te_set_s": 4.528}]), START_MS, 1
    )
    sent = ward.advance(START_MS + 1_500_000)
    before, after = numeric_at(sent, "etco2", 0), numeric_at(sent, "etco2", 1500)
    assert numeric_at(sent, "rr", 1500) == pytest.approx(numeric_at(sent, "rr", 0) / 2, rel=0.01)
    assert after / before == pytest.approx(2.0, rel=0.08)
    # And it takes minutes: after one it is on its way.
    assert before * 1.05 < numeric_at(sent, "etco2", 60) < before * 1.6


def test_the_capnogram_has_its_shape() -> None:
    # Dead space first, a quick rise, a plateau that still climbs, and nothing inspired.
    ward, sent = run(12.0, LARGE, monitor={"co2_noise_mmhg": 0.0, "co2_hz": 200})
    co2 = known(samples(sent, "co2"))
    breath = ward.breaths(PLACE)[-1]
    release = int((breath.start_ms - START_MS) / 5.0 + breath.ti_s * 200.0)
    top = max(co2)
    assert co2[release] < 0.03 * top
    risen = next(i for i in range(release, len(co2)) if co2[i] > 0.8 * top)
    assert 0.02 < (risen - release) / 200.0 < 0.4
    plateau = co2[risen + 40 : release + 380]
    assert min(plateau) > 0.85 * top
    assert plateau[-1] > plateau[0]
    assert min(co2) == pytest.approx(0.0, abs=0.5)


@pytest.mark.parametrize("rise_s", [0.1, 0.24, 0.4])
def test_analyser_lag(rise_s: float) -> None:
    # First order: T10-90 = ln 9 time constants.
    spec = scenario(SMALL, monitor={"co2_rise_10_90_s": rise_s, "co2_noise_mmhg": 0.0})
    monitor = Monitor(spec.places[0].monitor, "seed")
    trace = []
    for _ in range(400):
        monitor.tick(100.0, 0.0)
        trace.append(monitor._analyser)
    at_10 = next(i for i, value in enumerate(trace) if value >= 10.0)
    at_90 = next(i for i, value in enumerate(trace) if value >= 90.0)
    assert (at_90 - at_10) * 0.005 == pytest.approx(rise_s, abs=0.006)


def test_apnoea() -> None:
    # No slope is published for small animals. Anaesthetised man: 3.4 mmHg/min after the first
    # minute (Eger & Severinghaus 1961, from memory); by Stahl's oxygen uptake (M^0.76) 0.3 kg makes
    # 3.7 times as much CO2 per kg as 70 kg, so 12.6 mmHg/min, within half to twice.
    ward, sent = run(185.0, SMALL, [{"at_s": 5.0, **STOP}])
    gas = ward._places[PLACE].animal.gas
    end = gas.blood_co2
    again = SimulatedWard(scenario(SMALL, [{"at_s": 5.0, **STOP}]), START_MS, 1)
    again.advance(START_MS + 65_000)
    slope = (end - again._places[PLACE].animal.gas.blood_co2) / 2.0
    assert 0.5 * 12.6 < slope < 2.0 * 12.6
    # Nothing reaches the sensor meanwhile, and after a while the monitor says so.
    assert max(known(samples(sent, "co2")[15 * 25 :])) < 2.0
    assert numeric_at(sent, "etco2", 60) == 0.0
    assert numeric_at(sent, "rr", 60) == 0.0


def test_apnoea_rises_faster_at_first() -> None:
    # Awake man: +7 mmHg in the first 10 s, then 6 mmHg/min (Stock 1988 J Clin Anesth 1:96-103):
    # alveolar gas comes up to mixed blood first.
    ward = SimulatedWard(scenario(LARGE, [{"at_s": 5.0, **STOP}]), START_MS, 1)
    seen = []
    for second in (5, 15, 25, 35):
        ward.advance(START_MS + 1000 * second)
        seen.append(ward._places[PLACE].animal.gas.alveolar_co2)
    rises = [later - earlier for earlier, later in itertools.pairwise(seen)]
    assert rises[0] > 2.0 * rises[1]
    assert rises[1] == pytest.approx(rises[2], rel=0.5)


def test_weaning_brings_breathing_back() -> None:
    events = [{"at_s": 5.0, "kind": "settings", "mode": "spontaneous"}]
    drive = {"co2_threshold_mmhg": 68.0, "rate_per_min": 30.0, "effort_cmh2o": 8.0}
    ward, sent = run(240.0, SMALL, events, drive=drive)
    own = [b for b in ward.breaths(PLACE) if b.kind == "spontaneous"]
    first_s = (own[0].start_ms - START_MS) / 1000.0
    assert 20.0 < first_s < 120.0
    # Until then nothing moves; then small pressure swings and CO2 cycles at the animal's rate.
    co2 = samples(sent, "co2")
    assert max(known(co2[int((first_s - 8) * 25) : int(first_s * 25)])) < 2.0
    assert numeric_at(sent, "rr", 235) == pytest.approx(30.0, abs=0.5)
    assert 40.0 < numeric_at(sent, "etco2", 235) < 75.0
    assert all(abs(b.pip_cmh2o - b.baseline_cmh2o) < 1.0 for b in own)
    assert 1.0 < own[-2].lung_volume_ml < 8.0
    cycled = [b for b in ward.breaths(PLACE) if b.kind == "controlled"]
    assert all(b.start_ms < START_MS + 5000 for b in cycled)


def test_no_own_breathing_while_co2_is_low() -> None:
    ward, _ = run(60.0, SMALL)
    assert not ward._places[PLACE].animal.drive.breathing
    assert all(b.kind == "controlled" for b in ward.breaths(PLACE))


def _seconds_to_spo2(limit: float, inspired: float) -> float:
    ward = SimulatedWard(
        scenario(SMALL, [{"at_s": 5.0, **STOP}], gas={"inspired_oxygen": inspired}), START_MS, 1
    )
    values = numerics(ward.advance(START_MS + 200_000), "spo2")
    return next((t - 5.0 for t, value in values if value is not None and value < limit), math.inf)


def test_saturation_is_late_on_oxygen() -> None:
    # By FRC alone, alveolar PO2 660 -> 60 mmHg takes 67 s at 0.3 kg on oxygen, 100 -> 40 mmHg on
    # air 6.7 s (computed, awake Stahl uptake); probe and averaging add to both.
    on_air, on_oxygen = _seconds_to_spo2(85.0, 0.21), _seconds_to_spo2(85.0, 1.0)
    assert 6.0 < on_air < 30.0
    assert 50.0 < on_oxygen < 110.0
    assert on_oxygen > 2.5 * on_air


def test_saturation_arrives_with_its_delay_and_average() -> None:
    events = [{"at_s": 5.0, **STOP}]
    gas = {"inspired_oxygen": 0.21}
    quick = {"spo2_delay_s": 0.0, "spo2_average_s": 1.0}
    slow = {"spo2_delay_s": 20.0, "spo2_average_s": 1.0}

    def crossing(monitor: dict[str, Any]) -> float:
        values = numerics(run(60.0, SMALL, events, gas=gas, monitor=monitor)[1], "spo2")
        return next(t for t, value in values if value is not None and value < 80.0)

    assert crossing(slow) - crossing(quick) == pytest.approx(19.0, abs=2.0)


def test_a_species_with_high_p50_saturates_less() -> None:
    air = {"inspired_oxygen": 0.21}
    low = run(3.0, SMALL, gas={**air, "p50_mmhg": 24.0})[1]
    high = run(3.0, SMALL, gas={**air, "p50_mmhg": 40.0})[1]
    assert numeric_at(low, "spo2", 3) > numeric_at(high, "spo2", 3) + 3.0


@pytest.mark.parametrize("animal", [SMALL, LARGE])
def test_washout_when_the_circulation_stops(animal: Animal) -> None:
    # Perfect mixing: each breath leaves FRC/(FRC + VT - VD) of the last (computed).
    events = [{"at_s": 0.0, "kind": "perfusion", "factor": 0.0}]
    ward, sent = run(20.0, animal, events, monitor={"co2_noise_mmhg": 0.0})
    lung = animal["lung"]
    volume = ward.breaths(PLACE)[2].lung_volume_ml
    # PEEP of 2 cmH2O holds that much more gas than the resting volume.
    residual = lung["residual_ml"] + 2.0 * lung["compliance_ml_per_cmh2o"]
    expected = gas_exchange.washout_ratio(residual, volume, lung["dead_space_ml"])
    co2, peaks = known(samples(sent, "co2")), []
    for breath, following in itertools.pairwise(ward.breaths(PLACE)):
        first = int((breath.start_ms - START_MS) / 40.0) + 8
        last = int((following.start_ms - START_MS) / 40.0)
        peaks.append(max(co2[first:last]))
    ratios = [later / earlier for earlier, later in itertools.pairwise(peaks)]
    assert ratios[1:4] == pytest.approx([expected] * 3, rel=0.02)
