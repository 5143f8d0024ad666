"""The simulated lung and ventilator against the closed forms of the single-compartment model.

Source unless said otherwise: Bates 2009, Lung Mechanics; worked values computed from its formulas.
"""

from __future__ import annotations

from typing import Any

import pytest
from simulator_bench import LARGE, PLACE, SMALL, START_MS, Animal, known, run, samples

from adapters.simulator.truth import TrueBreath
from service.physiology import mechanics

TI_S = 0.002
VOLUME = 0.01
MEAN = 0.02
RIGID = {"compliance_ml_per_cmh2o": 0.001}


def _settled(animal: Animal, **changes: Any) -> TrueBreath:
    ward, _ = run(12.0, animal, **changes)
    return ward.breaths(PLACE)[-1]


def _after(event: dict[str, Any], animal: Animal = SMALL, seconds: float = 16.0) -> TrueBreath:
    ward, _ = run(seconds, animal, [{"at_s": 4.0, **event}])
    return ward.breaths(PLACE)[-1]


@pytest.mark.parametrize(
    ("animal", "lung", "ti", "vt"),
    [
        (SMALL, {}, 0.4230, 4.230),
        (SMALL, {"compliance_ml_per_cmh2o": 0.225}, 0.2115, 2.115),
        (SMALL, {"resistance_cmh2o_s_per_l": 120.0}, 0.3960, 3.960),
        (LARGE, {}, 0.7613, 45.68),
        (LARGE, {"compliance_ml_per_cmh2o": 2.45}, 0.3806, 22.84),
        (LARGE, {"resistance_cmh2o_s_per_l": 22.6}, 0.7059, 42.36),
    ],
)
def test_rigid_circuit(animal: Animal, lung: dict[str, float], ti: float, vt: float) -> None:
    # Ti = C (PIP - PEEP - RQ)/Q, VT = Q Ti.
    breath = _settled(animal, circuit=RIGID, lung=lung)
    assert breath.ti_s == pytest.approx(ti, abs=TI_S)
    assert breath.lung_volume_ml == pytest.approx(vt, rel=VOLUME)
    assert breath.te_s == pytest.approx(2.0, abs=1e-9)


@pytest.mark.parametrize(("animal", "mean"), [(SMALL, 2.925), (LARGE, 3.472)])
def test_mean_pressure(animal: Animal, mean: float) -> None:
    # [((PEEP+RQ)+PIP)/2 Ti + PEEP Te]/(Ti+Te).
    assert _settled(animal, circuit=RIGID).mean_cmh2o == pytest.approx(mean, rel=MEAN)


@pytest.mark.parametrize(
    ("animal", "lung", "ti", "delivered", "vt"),
    [
        (SMALL, {}, 0.5279, 5.279, 4.279),
        (SMALL, {"compliance_ml_per_cmh2o": 0.225}, 0.3157, 3.157, 2.157),
        (LARGE, {}, 0.8145, 48.87, 45.87),
        (LARGE, {"compliance_ml_per_cmh2o": 2.45}, 0.4337, 26.02, 23.02),
    ],
)
def test_circuit_compliance(
    animal: Animal, lung: dict[str, float], ti: float, delivered: float, vt: float
) -> None:
    # Mass balance: VT = Q Ti - Cc (PIP - PEEP).
    breath = _settled(animal, lung=lung)
    assert breath.ti_s == pytest.approx(ti, abs=TI_S)
    assert breath.delivered_ml == pytest.approx(delivered, rel=VOLUME)
    assert breath.lung_volume_ml == pytest.approx(vt, rel=VOLUME)


@pytest.mark.parametrize(("animal", "leak", "ti"), [(SMALL, 0.5, 0.7298), (LARGE, 3.0, 1.325)])
def test_leak(animal: Animal, leak: float, ti: float) -> None:
    # Ti = (C/G) ln[(Q/G - PEEP)/(Q/G - PIP)], R neglected.
    breath = _settled(
        animal,
        circuit={**RIGID, "leak_ml_per_s_per_cmh2o": leak},
        lung={"resistance_cmh2o_s_per_l": 0.01},
    )
    assert breath.ti_s == pytest.approx(ti, abs=TI_S)


def test_leak_and_resistance_and_circuit_together() -> None:
    # The closed form that is itself held against SciPy's integrator.
    breath = _settled(SMALL, circuit={"leak_ml_per_s_per_cmh2o": 0.5})
    lung = mechanics.Lung(0.45, 60.0)
    inflation = mechanics.Inflation(10.0, 12.0, breath.baseline_cmh2o, 0.1, 0.5)
    assert breath.ti_s == pytest.approx(mechanics.inflation_time_s(lung, inflation), abs=1e-4)
    volume = mechanics.inflation_volume_ml(lung, inflation)
    assert breath.lung_volume_ml == pytest.approx(volume, rel=1e-3)


def test_auto_peep() -> None:
    # (PIP - RQ) exp(-Te/RC): C 4.9, R 50, Q 60, PIP 12, PEEP 0, Te 0.5.
    breath = _settled(
        LARGE,
        circuit=RIGID,
        lung={"resistance_cmh2o_s_per_l": 50.0},
        settings={"te_set_s": 0.5, "peep_cmh2o": 0.0},
    )
    assert breath.ti_s == pytest.approx(0.6395, abs=TI_S)
    assert breath.lung_volume_ml == pytest.approx(38.37, rel=VOLUME)
    assert breath.te_s is not None
    assert 60.0 / (breath.ti_s + breath.te_s) == pytest.approx(52.65, rel=VOLUME)


# The sign table of pressure cycling at constant flow: what each fault does to Ti, VT, rate.


def test_a_stiffer_lung_shortens_without_a_step() -> None:
    well, ill = _settled(SMALL), _after({"kind": "compliance", "factor": 0.5})
    assert ill.ti_s < 0.7 * well.ti_s
    assert ill.lung_volume_ml < 0.6 * well.lung_volume_ml
    assert ill.te_s == pytest.approx(well.te_s)
    assert ill.pip_cmh2o == pytest.approx(well.pip_cmh2o)
    # The resistive step stays: with a rigid circuit the first sample after the start shows it.
    for factor in (1.0, 0.5):
        assert _step(factor, 1.0) == pytest.approx(0.6, abs=0.15)


def test_a_narrower_tube_raises_the_step_and_shortens() -> None:
    well, ill = _settled(SMALL), _after({"kind": "resistance", "factor": 8.0})
    assert ill.ti_s < 0.85 * well.ti_s
    assert ill.lung_volume_ml < 0.7 * well.lung_volume_ml
    assert ill.pip_cmh2o == pytest.approx(well.pip_cmh2o)
    assert _step(1.0, 8.0) == pytest.approx(4.8, abs=0.3)


def _step(c_factor: float, r_factor: float) -> float:
    """Pressure 5 ms into the inflation over its baseline, less the ramp since: about RQ."""
    lung = {
        "compliance_ml_per_cmh2o": 0.45 * c_factor,
        "resistance_cmh2o_s_per_l": 60.0 * r_factor,
    }
    quiet = {"paw_hz": 200, "paw_noise_cmh2o": 0.0}
    ward, sent = run(12.0, SMALL, lung=lung, circuit=RIGID, monitor=quiet)
    breath = ward.breaths(PLACE)[-1]
    since_ms = breath.start_ms - START_MS
    index = int(since_ms // 5) + 2
    ramp = 10.0 / lung["compliance_ml_per_cmh2o"] * (index * 5 - since_ms) / 1000.0
    sample = samples(sent, "paw")[index]
    assert sample is not None
    return sample - breath.baseline_cmh2o - ramp


@pytest.mark.parametrize(("animal", "cc", "flow"), [(SMALL, 0.1, 10.0), (LARGE, 0.3, 60.0)])
def test_total_occlusion(animal: Animal, cc: float, flow: float) -> None:
    # Ti -> Cc (PIP - PEEP)/Q: the circuit alone is filled.
    breath = _after({"kind": "occlude"}, animal)
    assert breath.ti_s == pytest.approx(cc * 10.0 / flow, abs=TI_S)
    assert breath.lung_volume_ml == pytest.approx(0.0, abs=0.01)
    _, sent = run(20.0, animal, [{"at_s": 4.0, "kind": "occlude"}])
    assert max(known(samples(sent, "co2")[-100:])) < 2.0


def test_a_cleared_tube_is_as_before() -> None:
    events = [{"at_s": 3.0, "kind": "occlude"}, {"at_s": 6.0, "kind": "clear"}]
    ward, _ = run(14.0, SMALL, events)
    assert ward.breaths(PLACE)[-1].ti_s == pytest.approx(_settled(SMALL).ti_s, abs=1e-3)


def test_a_growing_leak_lengthens() -> None:
    breath = _after({"kind": "leak", "ml_per_s_per_cmh2o": 0.4})
    assert breath.ti_s > 1.3 * _settled(SMALL).ti_s
    assert breath.pip_cmh2o == pytest.approx(12.0, abs=0.01)


def test_a_leak_that_takes_the_whole_flow_never_cycles() -> None:
    # Q/G = 10/0.9 = 11.1 cmH2O, under the target.
    event = {"at_s": 4.0, "kind": "leak", "ml_per_s_per_cmh2o": 0.9}
    ward, sent = run(30.0, SMALL, [event], monitor={"paw_noise_cmh2o": 0.0})
    assert ward.breaths(PLACE)[-1].start_ms < START_MS + 7000
    assert known(samples(sent, "paw"))[-1] == pytest.approx(10.0 / 0.9, abs=0.05)


def test_disconnection() -> None:
    events = [{"at_s": 5.0, "kind": "disconnect"}, {"at_s": 20.0, "kind": "reconnect"}]
    ward, sent = run(30.0, SMALL, events)
    paw, co2 = samples(sent, "paw"), samples(sent, "co2")
    assert max(known(paw[800:2000])) < 0.5
    assert max(known(co2[200:500])) < 2.0
    # It keeps inflating: one inflation lasts from before 8 s until the circuit is back.
    long = max(ward.breaths(PLACE), key=lambda breath: breath.ti_s)
    assert long.ti_s > 12.0
    assert long.pip_cmh2o == pytest.approx(12.0, abs=0.01)
    assert ward.breaths(PLACE)[-1].ti_s == pytest.approx(_settled(SMALL).ti_s, abs=1e-3)


def test_blocked_exhalation_keeps_the_pressure_up() -> None:
    circuit = {"relief_cmh2o": 25.0}
    events = [
        {"at_s": 5.0, "kind": "block-exhalation"},
        {"at_s": 15.0, "kind": "free-exhalation"},
    ]
    ward, sent = run(25.0, SMALL, events, circuit=circuit)
    held = known(samples(sent, "paw")[900:1500])
    assert min(held) > 20.0
    assert max(held) < 25.5  # the relief valve
    assert ward.breaths(PLACE)[-1].ti_s == pytest.approx(_settled(SMALL).ti_s, abs=1e-3)
    assert ward.breaths(PLACE)[-1].lung_volume_ml == pytest.approx(4.279, rel=VOLUME)


def test_settings_change_takes_effect() -> None:
    breath = _after({"kind": "settings", "pip_target_cmh2o": 10.0, "te_set_s": 3.0})
    assert breath.pip_cmh2o == pytest.approx(10.0, abs=0.01)
    assert breath.te_s == pytest.approx(3.0)
    faster = _after({"kind": "settings", "fresh_gas_flow_ml_per_min": 1200.0})
    assert faster.ti_s < 0.6 * _settled(SMALL).ti_s


def test_an_inflation_cut_by_the_team_is_marked() -> None:
    # At 10.2 s of this run an inflation is under way; the mode change opens the valve at once.
    ward, _ = run(10.0, SMALL)
    begins = ward.breaths(PLACE)[-1]
    assert begins.te_s is not None
    cut_s = (begins.start_ms - START_MS) / 1000.0 + begins.ti_s + begins.te_s + 0.3
    event = {"at_s": round(cut_s, 3), "kind": "settings", "mode": "standby"}
    ward, sent = run(20.0, SMALL, [event])
    last = ward.breaths(PLACE)[-1]
    assert last.kind == "interrupted"
    assert last.te_s is None
    assert last.ti_s == pytest.approx(0.3, abs=0.002)
    assert last.pip_cmh2o < 12.0
    assert max(known(samples(sent, "paw")[-500:])) < 2.5


def test_gas_delivered_counts_a_change_of_flow() -> None:
    ward, _ = run(6.0, LARGE)
    before = ward.breaths(PLACE)[-1]
    assert before.te_s is not None
    start_s = (before.start_ms - START_MS) / 1000.0 + before.ti_s + before.te_s
    event = {"kind": "settings", "fresh_gas_flow_ml_per_min": 1800.0}
    ward, _ = run(14.0, LARGE, [{"at_s": round(start_s + 0.4, 3), **event}])
    changed = next(b for b in ward.breaths(PLACE) if b.start_ms > before.start_ms + 1.0)
    # 60 mL/s for 0.4 s, then 30 mL/s; by mass balance the lung has that less Cc (PIP - PEEP).
    assert changed.delivered_ml == pytest.approx(24.0 + 30.0 * (changed.ti_s - 0.4), rel=0.002)
    rise = changed.pip_cmh2o - changed.baseline_cmh2o
    assert changed.lung_volume_ml == pytest.approx(changed.delivered_ml - 0.3 * rise, rel=0.005)


def test_the_samples_show_the_true_breath() -> None:
    # Without noise, a sample is the airway pressure at its own time: up to 10 ms of rise or fall.
    ward, sent = run(12.0, SMALL, monitor={"paw_noise_cmh2o": 0.0})
    paw = known(samples(sent, "paw"))
    for breath in ward.breaths(PLACE)[:3]:
        start = (breath.start_ms - START_MS) / 10.0
        end = start + breath.ti_s * 100.0
        assert paw[int(end)] == pytest.approx(breath.pip_cmh2o, abs=0.3)
        assert paw[int(end) + 2] < 3.0
        assert paw[int(start)] == pytest.approx(breath.baseline_cmh2o, abs=0.05)
        assert paw[int(start) + 3] > breath.baseline_cmh2o + 0.5


def test_pressure_noise_is_that_of_a_real_sensor() -> None:
    _, sent = run(6.0, SMALL, settings={"mode": "standby"})
    paw = known(samples(sent, "paw"))
    mean = sum(paw) / len(paw)
    deviation = (sum((p - mean) ** 2 for p in paw) / len(paw)) ** 0.5
    assert 0.05 < deviation < 0.1
