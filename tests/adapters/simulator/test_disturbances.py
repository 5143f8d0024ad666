"""What a theatre does to a patient and a signal, against balances of gas, pressure and energy."""

from __future__ import annotations

import math
from datetime import datetime
from statistics import fmean, median, pstdev
from typing import Any

import pytest
from pydantic import ValidationError
from simulator_bench import (
    LARGE,
    PLACE,
    SMALL,
    START_MS,
    known,
    numeric_at,
    of_kind,
    run,
    samples,
    scenario,
)

from adapters.simulator.power import Battery
from adapters.simulator.scenario import PowerSpec
from adapters.simulator.ward import SimulatedWard
from service.physiology import mechanics

QUIET: dict[str, Any] = {"monitor": {"paw_noise_cmh2o": 0.0, "co2_noise_mmhg": 0.0}}


def test_rebreathing_raises_co2_by_what_is_breathed_in() -> None:
    # PaCO2 = 0.863 VCO2/VA + PiCO2 (alveolar ventilation equation) with PiCO2 a share of what was
    # breathed out: the steady state is that without rebreathing over (1 - share).
    event = {"kind": "rebreathing", "at_s": 1.0, "share": 0.2}
    _, before = run(20.0, LARGE)
    ward, after = run(1500.0, LARGE, [event])
    ratio = numeric_at(after, "etco2", 1500) / numeric_at(before, "etco2", 20)
    assert ratio == pytest.approx(1.0 / 0.8, rel=0.03)
    gas = ward._places[PLACE].animal.gas
    assert gas.inspired_co2 == pytest.approx(0.2 * gas.alveolar_co2, rel=0.1)
    # The monitor sees it as inspired CO2, a little less where its analyser is slow.
    assert numeric_at(after, "fico2", 1500) == pytest.approx(gas.inspired_co2, rel=0.25)


def test_dilution_takes_its_share_of_every_sample() -> None:
    event = {"kind": "dilution", "at_s": 20.0, "share": 0.4}
    ward, sent = run(40.0, SMALL, [event], **QUIET)
    before, after = numeric_at(sent, "etco2", 19), numeric_at(sent, "etco2", 40)
    assert after == pytest.approx(0.6 * before, rel=0.03)
    # The animal itself is as well as before.
    assert ward._places[PLACE].animal.gas.alveolar_co2 > 0.9 * before


def test_shunt_mixes_unaired_blood_in() -> None:
    # Mixing: S = (1 - s) Sc + s Sv, where Sv is 25 % under S.
    ward, _ = run(30.0, SMALL)
    sc = ward._places[PLACE].animal.gas.saturation
    ward, _ = run(30.0, SMALL, [{"kind": "shunt", "at_s": 1.0, "share": 0.3}])
    s = ward._places[PLACE].animal.gas.saturation
    assert s == pytest.approx(0.7 * sc + 0.3 * (s - 0.25), abs=1e-3)


def test_a_tube_that_slipped_out_blows_into_the_room() -> None:
    # All flow leaves through the tube alone: pressure is flow times resistance (Ohm's law).
    ward, sent = run(40.0, SMALL, [{"kind": "extubate", "at_s": 20.0}], **QUIET)
    late = known(samples(sent, "paw"))[-200:]
    flow, resistance = 10.0, SMALL["lung"]["resistance_cmh2o_s_per_l"] / 1000.0
    assert fmean(late) == pytest.approx(flow * resistance, abs=0.1)
    assert max(known(samples(sent, "co2"))[-200:]) < 1.0
    assert ward._places[PLACE].animal.ventilator.volume_ml == pytest.approx(0.0, abs=0.1)


def test_a_tube_put_back_ventilates_again() -> None:
    events = [{"kind": "extubate", "at_s": 20.0}, {"kind": "reintubate", "at_s": 30.0}]
    ward, _ = run(50.0, SMALL, events)
    last = ward.breaths(PLACE)[-1]
    assert last.pip_cmh2o == pytest.approx(SMALL["settings"]["pip_target_cmh2o"], abs=0.01)


def test_suction_empties_at_the_rate_of_what_it_draws() -> None:
    # Mass balance with the valve shut: dP/dt = (flow - drawn) / (C + Cc).
    drawn, flow = 14.0, 10.0
    stiff = SMALL["lung"]["compliance_ml_per_cmh2o"] + 0.1
    ward = SimulatedWard(
        scenario(
            SMALL,
            [{"kind": "suction", "at_s": 10.0, "ml_per_s": drawn, "for_s": 5.0}],
            settings={"te_set_s": 0.3},
            **QUIET,
        ),
        START_MS,
        1,
    )
    paw = samples(ward.advance(START_MS + 15_000), "paw")
    # Two seconds in, the last expiration is over and the valve stays shut.
    slope = (paw[1400] - paw[1200]) / 2.0  # type: ignore[operator]  # no sample is lost
    assert slope == pytest.approx((flow - drawn) / stiff, rel=0.03)
    assert min(known(paw)) < 0.0


def test_a_push_is_felt_at_the_airway_and_goes() -> None:
    # Longer than a breath, so that an inflation is met.
    event = {"kind": "push", "at_s": 20.0, "cmh2o": 6.0, "for_s": 3.0}
    still = samples(run(30.0, SMALL, **QUIET)[1], "paw")
    pushed = samples(run(30.0, SMALL, [event], **QUIET)[1], "paw")
    differ = [abs(a - b) for a, b in zip(still, pushed, strict=True)]  # type: ignore[operator]  # no sample is lost
    assert max(differ[:2000]) == 0.0
    # A shut valve holds it, less what the circuit takes; the target ends the inflation early.
    assert max(differ[2000:2300]) > 3.0


def test_noise_is_added_for_a_while() -> None:
    event = {"kind": "noise", "at_s": 10.0, "for_s": 5.0, "paw_cmh2o": 0.8}
    still = known(samples(run(20.0, SMALL, monitor={"paw_noise_cmh2o": 0.0})[1], "paw"))
    noisy = known(samples(run(20.0, SMALL, [event], monitor={"paw_noise_cmh2o": 0.0})[1], "paw"))
    errors = [b - a for a, b in zip(still, noisy, strict=True)]
    # 500 draws hold the standard deviation within 10 % (three of its standard errors).
    assert pstdev(errors[1000:1500]) == pytest.approx(0.8, rel=0.10)
    assert max(map(abs, errors[:1000])) == 0.0
    assert max(map(abs, errors[1501:])) == 0.0


@pytest.mark.parametrize(("kind", "spread"), [("sensor-frozen", 0.0), ("sensor-zero", 0.3)])
def test_a_wrong_sensor_sends_what_is_not_so(kind: str, spread: float) -> None:
    events = [
        {"kind": kind, "at_s": 10.0, "sensor": "co2"},
        {"kind": "sensor-on", "at_s": 20.0, "sensor": "co2"},
    ]
    _, sent = run(30.0, SMALL, events)
    co2 = known(samples(sent, "co2"))
    wrong, mended = co2[251:499], co2[501:]
    assert max(wrong) - min(wrong) <= 6.0 * spread
    if kind == "sensor-zero":
        assert abs(fmean(wrong)) < 0.1
        assert numeric_at(sent, "etco2", 15) == 0.0
    assert max(mended) - min(mended) > 20.0


def test_a_clock_leaps() -> None:
    _, sent = run(20.0, SMALL, [{"kind": "clock", "at_s": 10.0, "ahead_s": -40.0}])
    behind = {
        m.at_ms - START_MS: datetime.fromisoformat(m.payload["at"]).timestamp() * 1000.0 - m.at_ms
        for m in of_kind(sent, "numerics")
    }
    assert behind[9000] == pytest.approx(0.0, abs=1.0)
    assert behind[11000] == pytest.approx(-40_000.0, abs=1.0)


def test_temperature_moves_in_a_line() -> None:
    _, sent = run(120.0, SMALL, [{"kind": "temperature", "at_s": 0.0, "change_c": -2.0,
                                  "over_s": 100.0}])  # fmt: skip
    assert numeric_at(sent, "temperature", 50) == pytest.approx(36.0, abs=0.15)
    assert numeric_at(sent, "temperature", 120) == pytest.approx(35.0, abs=0.15)


def test_half_the_fresh_gas_takes_twice_as_long() -> None:
    # Ti = C (PIP - PEEP - RQ)/Q, with the circuit; delivered gas is what really flowed.
    ward, _ = run(60.0, LARGE, [{"kind": "fresh-gas", "at_s": 20.0, "factor": 0.5}])
    lung = mechanics.Lung(4.9, 11.3)
    first, last = ward.breaths(PLACE)[2], ward.breaths(PLACE)[-1]
    for breath, flow in ((first, 60.0), (last, 30.0)):
        ti_s = mechanics.inflation_time_s(lung, mechanics.Inflation(flow, 12.0, 2.0, 0.3))
        assert breath.ti_s == pytest.approx(ti_s, rel=0.01)
        assert breath.delivered_ml == pytest.approx(flow * breath.ti_s, rel=1e-6)


def test_a_narrow_valve_traps_gas() -> None:
    # A lung that empties through R in the time Te is left with exp(-Te/RC) of its pressure
    # (Bates 2009). Here R is that of tube and valve, and C with the circuit.
    factor, te_s = 300.0, 1.0
    ward, _ = run(
        60.0,
        SMALL,
        [{"kind": "valve", "at_s": 5.0, "factor": factor}],
        settings={"te_set_s": te_s, "peep_cmh2o": 0.0},
    )
    breath = ward.breaths(PLACE)[-1]
    valve = 0.5 * factor / 1000.0
    # Fresh gas flows on through the valve and holds pressure up by flow times its resistance.
    held = 10.0 * valve
    start = held + (12.0 - held) * math.exp(-te_s / ((0.06 + valve) * 0.55))
    assert breath.baseline_cmh2o == pytest.approx(start, rel=0.08)


def test_the_battery_lasts_what_it_says() -> None:
    # Energy over power; run down minute by minute it must come to the same.
    battery = Battery(PowerSpec(supply="battery", charge_percent=60.0))
    said, minutes = battery.minutes_left, 0.0
    while battery.current_a > 0.0:
        battery.run(6.0)
        minutes += 0.1
    assert minutes == pytest.approx(said, rel=0.002)


def test_a_wrong_share_is_named() -> None:
    with pytest.raises(ValidationError, match=r"shunt\.share"):
        scenario(SMALL, [{"kind": "shunt", "at_s": 1.0, "share": 1.4}])


def test_pushes_do_not_change_what_a_median_breath_takes() -> None:
    event = {"kind": "push", "at_s": 20.0, "cmh2o": 6.0, "for_s": 1.0}
    still, pushed = (run(40.0, SMALL, events)[0].breaths(PLACE) for events in ([], [event]))
    volumes = [median(b.lung_volume_ml for b in breaths) for breaths in (still, pushed)]
    assert volumes[0] == pytest.approx(volumes[1], rel=1e-3)
