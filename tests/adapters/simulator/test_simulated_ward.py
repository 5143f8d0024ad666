"""The ward as a whole: deterministic, settled at the start, seven stories, quick enough."""

from __future__ import annotations

import time
from functools import cache
from random import Random

import pytest
from simulator_bench import START_MS, known, numerics, of_kind, samples

from adapters.simulator.scenario import Scenario, builtin_scenario_text, load_scenario
from adapters.simulator.ward import Expectation, Sent, SimulatedWard, Truth
from service.physiology import allometry, mechanics


@cache
def _hospital() -> Scenario:
    return load_scenario(builtin_scenario_text())


@cache
def _story() -> tuple[SimulatedWard, tuple[Sent, ...]]:
    """The whole of the built-in scenario, simulated once."""
    ward = SimulatedWard(_hospital(), START_MS, seed=7)
    return ward, tuple(ward.advance(START_MS + 150_000))


def _of_place(place: str) -> list[Sent]:
    return [m for m in _story()[1] if f"/{place}/" in m.topic]


def _promises(place: str) -> list[Truth]:
    return [t for t in _story()[0].truth if t.place == place and t.expects is not None]


def _promise(place: str) -> tuple[float, Expectation]:
    (truth,) = _promises(place)
    assert truth.expects is not None
    return (truth.at_ms - START_MS) / 1000.0, truth.expects


PLACES = [spec.place for spec in load_scenario(builtin_scenario_text()).places]


def test_however_it_is_cut() -> None:
    whole = _story()[1]
    random = Random(3)
    ward = SimulatedWard(_hospital(), START_MS, seed=7)
    pieces: list[Sent] = []
    now = START_MS - 20
    while now < START_MS + 60_000:
        now = min(now + random.choice((1, 3, 7, 50, 333, 1000, 4321)), START_MS + 60_000)
        pieces += ward.advance(now)
    assert pieces == [m for m in whole if m.at_ms <= START_MS + 60_000]


def test_the_same_again_and_another_seed() -> None:
    end = START_MS + 5000
    first, again, other = (
        SimulatedWard(_hospital(), START_MS, seed).advance(end) for seed in (7, 7, 8)
    )
    assert first == again
    assert first != other
    # The seed is noise only: what truly happens is the same.
    assert [m.topic for m in first] == [m.topic for m in other]


def test_another_start_only_moves_time() -> None:
    later = SimulatedWard(_hospital(), START_MS + 86_400_123, 7)
    moved = later.advance(START_MS + 86_400_123 + 5000)
    here = [m for m in _story()[1] if m.at_ms <= START_MS + 5000]
    assert [m.at_ms - 86_400_123 for m in moved] == [m.at_ms for m in here]
    assert [m.payload["seq"] for m in moved] == [m.payload["seq"] for m in here]
    assert samples(moved, "paw") == samples(here, "paw")


def test_time_before_the_start_and_twice_gives_nothing() -> None:
    ward = SimulatedWard(_hospital(), START_MS, 1)
    assert ward.advance(START_MS - 1) == []
    assert ward.advance(START_MS)
    assert ward.advance(START_MS) == []
    assert ward.advance(START_MS - 500) == []


def test_messages_come_in_order_and_without_gaps() -> None:
    sent = _story()[1]
    assert [m.at_ms for m in sent] == sorted(m.at_ms for m in sent)
    for place in PLACES:
        numbers = [m.payload["seq"] for m in _of_place(place)]
        assert numbers == list(range(1, len(numbers) + 1))


@pytest.mark.parametrize("place", PLACES)
def test_every_place_starts_settled(place: str) -> None:
    breaths = [b for b in _story()[0].breaths(place) if b.start_ms < START_MS + 30_000]
    assert len(breaths) >= 3
    for name in ("ti_s", "lung_volume_ml", "mean_cmh2o"):
        values = [getattr(b, name) for b in breaths]
        assert max(values) / min(values) < 1.03, name
    end_tidal = [v for t, v in numerics(_of_place(place), "etco2") if t <= 30.0]
    assert len(end_tidal) == 31
    assert max(known(end_tidal)) / min(known(end_tidal)) < 1.03
    saturation = known(v for t, v in numerics(_of_place(place), "spo2") if t <= 30.0)
    assert min(saturation) > 95.0
    rates = known(v for t, v in numerics(_of_place(place), "rr") if t <= 30.0)
    assert max(rates) / min(rates) < 1.03


@pytest.mark.parametrize("spec", _hospital().places, ids=lambda spec: spec.place)
def test_animals_are_plausible(spec: object) -> None:
    # Mammals: Stahl 1967; birds: Lasiewski & Calder 1971; plausible is half to twice the line.
    # CO2 40 mmHg in health: end-tidal 35-45 mmHg in mammals.
    place = next(p for p in _hospital().places if p is spec)
    kg, lung = place.patient.mass_kg, place.lung
    breath = _story()[0].breaths(place.place)[0]
    assert 8.0 <= place.settings.pip_target_cmh2o <= 12.0
    assert 8.0 < breath.lung_volume_ml / kg < 20.0
    if place.patient.class_ == "mammal":
        line = allometry.mammal(kg)
        assert allometry.plausible(lung.compliance_ml_per_cmh2o, line.compliance_ml_per_cmh2o)
        assert allometry.plausible(lung.dead_space_ml, line.dead_space_ml)
        assert allometry.plausible(lung.residual_ml, line.functional_residual_capacity_ml)
        uptake = place.gas.oxygen_uptake_ml_per_min
        assert allometry.plausible(uptake, line.oxygen_uptake_ml_per_min)
        assert allometry.plausible(place.monitor.pulse_rate_per_min, line.heart_rate_per_min)
        end_tidal = numerics(_of_place(place.place), "etco2")[0][1]
        assert end_tidal is not None
        assert 35.0 < end_tidal < 45.0
    elif place.patient.class_ == "bird":
        assert allometry.plausible(breath.lung_volume_ml, allometry.bird(kg).tidal_volume_ml)
        assert allometry.plausible(lung.dead_space_ml, allometry.bird(kg).trachea_ml)
    else:
        line_ml = allometry.reptile_oxygen_uptake_ml_per_min(kg)
        assert allometry.plausible(place.gas.oxygen_uptake_ml_per_min, line_ml)
        assert breath.te_s is not None
        assert 60.0 / (breath.ti_s + breath.te_s) == pytest.approx(6.0, abs=0.3)


@pytest.mark.parametrize("place", PLACES)
def test_settled_ti_is_that_of_the_closed_form(place: str) -> None:
    # Bates 2009, Lung Mechanics, with circuit compliance by mass balance.
    spec = next(p for p in _hospital().places if p.place == place)
    breath = _story()[0].breaths(place)[1]
    lung = mechanics.Lung(spec.lung.compliance_ml_per_cmh2o, spec.lung.resistance_cmh2o_s_per_l)
    flow = spec.settings.fresh_gas_flow_ml_per_min / 60.0
    inflation = mechanics.Inflation(
        flow,
        spec.settings.pip_target_cmh2o,
        breath.baseline_cmh2o,
        spec.circuit.compliance_ml_per_cmh2o,
    )
    assert breath.ti_s == pytest.approx(mechanics.inflation_time_s(lung, inflation), abs=0.002)
    volume = mechanics.tidal_volume_ml(
        flow,
        breath.ti_s,
        spec.circuit.compliance_ml_per_cmh2o,
        breath.pip_cmh2o,
        breath.baseline_cmh2o,
    )
    assert breath.lung_volume_ml == pytest.approx(volume, rel=0.01)


def test_everything_begins_and_has_happened_in_time() -> None:
    assert _hospital().duration_s == 150.0
    for spec in _hospital().places:
        for event in spec.events:
            assert event.at_s >= 30.0
            assert event.at_s + getattr(event, "over_s", 0.0) <= 110.0
    assert all(30_000 <= t.at_ms - START_MS <= 110_000 for t in _story()[0].truth)


def test_seven_stories_are_promised() -> None:
    promised = {
        place: [(t.expects.rule, t.expects.priority) for t in _promises(place) if t.expects]
        for place in PLACES
    }
    assert list(promised.values()) == [
        [("volume-falling-silently", "medium")],
        [("airway-narrowing", "high")],
        [("leak-growing", "medium")],
        [("disconnected", "high")],
        [("weaning-not-breathing", "medium")],
        [("journey-battery-short", "medium")],
        [],
    ]


def _near(place: str, second: float) -> int:
    """Index of the whole breath that begins last before `second`."""
    breaths = _story()[0].breaths(place)
    begun = [i for i, b in enumerate(breaths) if b.start_ms < START_MS + 1000 * second]
    return begun[-1]


def test_kitten_loses_volume_while_pressure_looks_well() -> None:
    breaths = _story()[0].breaths("bay-1")
    onset, expects = _promise("bay-1")
    start = breaths[0].lung_volume_ml
    assert breaths[_near("bay-1", onset) - 1].lung_volume_ml > 0.70 * start
    assert breaths[_near("bay-1", onset)].lung_volume_ml < 0.70 * start
    assert breaths[-1].lung_volume_ml == pytest.approx(0.5 * start, rel=0.02)
    assert all(b.pip_cmh2o == pytest.approx(9.5, abs=0.01) for b in breaths)
    assert onset < 50.0
    assert onset + expects.within_s == pytest.approx(80.0, abs=1.0)


def test_rabbit_tube_raises_the_start_step() -> None:
    breaths = _story()[0].breaths("bay-2")
    assert breaths[-1].ti_s < 0.6 * breaths[0].ti_s
    assert all(b.pip_cmh2o == pytest.approx(10.0, abs=0.01) for b in breaths)
    paw = known(samples(_of_place("bay-2"), "paw"))

    def early(number: int) -> float:
        index = int((breaths[number].start_ms - START_MS) / 10.0)
        return paw[index + 12] - paw[index - 5]

    assert early(-2) - early(2) > 3.0


def test_hedgehog_leak_grows_until_the_target_is_hardly_reached() -> None:
    breaths = _story()[0].breaths("bay-3")
    onset, _ = _promise("bay-3")
    assert breaths[_near("bay-3", onset)].ti_s > 1.35 * breaths[0].ti_s
    assert breaths[_near("bay-3", onset) - 1].ti_s <= 1.35 * breaths[0].ti_s
    assert breaths[-1].ti_s > 3.0 * breaths[0].ti_s
    assert breaths[-1].lung_volume_ml == pytest.approx(breaths[0].lung_volume_ml, rel=0.1)


def test_raptor_circuit_comes_off_for_forty_seconds() -> None:
    onset, _ = _promise("bay-4")
    paw, co2 = samples(_of_place("bay-4"), "paw"), samples(_of_place("bay-4"), "co2")
    off = known(paw[int((onset + 0.1) * 100) : int((onset + 39.9) * 100)])
    assert len(off) == 3980
    assert max(off) < 0.6
    assert max(known(co2[int((onset + 1) * 25) : int((onset + 39) * 25)])) < 2.0
    after = _story()[0].breaths("bay-4")[-1]
    assert after.ti_s == pytest.approx(_story()[0].breaths("bay-4")[0].ti_s, rel=0.01)


def test_squirrel_breathes_late_after_weaning() -> None:
    onset, _ = _promise("bay-5")
    modes = [m.payload["mode"] for m in of_kind(_of_place("bay-5"), "settings")]
    assert modes[0] == "controlled"
    assert modes[-1] == "spontaneous"
    te = [m.payload["te_set"]["value"] for m in of_kind(_of_place("bay-5"), "settings")]
    assert te[1] > 2.0 * te[0]
    own = [b for b in _story()[0].breaths("bay-5") if b.kind == "spontaneous"]
    first = (own[0].start_ms - START_MS) / 1000.0
    assert first - onset == pytest.approx(50.0, abs=4.0)
    before = numerics(_of_place("bay-5"), "etco2")[30][1]
    back = numerics(_of_place("bay-5"), "etco2")[-1][1]
    assert before is not None
    assert back is not None
    assert back > before + 8.0


def test_tortoise_battery_will_not_do() -> None:
    (journey,) = of_kind(_of_place("bay-6"), "journey")
    needed = sum(journey.payload[name] for name in ("minutes", "return_minutes", "margin_minutes"))
    power = of_kind(_of_place("bay-6"), "power")[0].payload
    assert power["supply"] == "battery"
    assert power["charge"]["value"] == pytest.approx(31.0, abs=0.1)
    left_ah = power["charge"]["value"] / 100.0 * power["capacity"]["value"]
    minutes = 60.0 * left_ah / power["current"]["value"]
    assert 40.0 < minutes < needed - 10.0
    charges = [m.payload["charge"]["value"] for m in of_kind(_of_place("bay-6"), "power")]
    assert charges[-1] < charges[0]


def test_pigeon_stays_well_through_a_change_by_the_team() -> None:
    settings = of_kind(_of_place("bay-7"), "settings")
    targets = [m.payload["pip_target"]["value"] for m in settings]
    assert sorted(set(targets)) == [9.0, 10.0]
    breaths = _story()[0].breaths("bay-7")
    assert all(b.kind == "controlled" for b in breaths)
    volumes = [b.lung_volume_ml for b in breaths]
    assert max(volumes) / min(volumes) < 1.2
    assert not _promises("bay-7")
    end_tidal = known(v for _, v in numerics(_of_place("bay-7"), "etco2"))
    assert 30.0 < min(end_tidal) < max(end_tidal) < 45.0


def test_quick_enough() -> None:
    ward = SimulatedWard(_hospital(), START_MS, 1)
    begun = time.process_time()
    ward.advance(START_MS + 20_000)
    spent = time.process_time() - begun
    # Seven places at 20 times real time, on one core.
    assert 20.0 / spent > 20.0
