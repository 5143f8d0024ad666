"""Scenarios are read with clear errors."""

from __future__ import annotations

from typing import Any

import pytest
from simulator_bench import START_MS, numeric_at, run, scenario

from adapters.simulator.scenario import (
    Scenario,
    ScenarioError,
    builtin_scenario_text,
    load_scenario,
)
from adapters.simulator.ward import Expectation, SimulatedWard
from service.physiology import oxygen

TEXT = builtin_scenario_text()


def test_the_builtin_scenario() -> None:
    hospital = load_scenario(TEXT)
    assert hospital.scenario == "coastal-wildlife-hospital"
    assert hospital.ward == "recovery"
    assert len(hospital.places) == 7
    species = {place.patient.species for place in hospital.places}
    assert {"cat", "rabbit", "hedgehog", "kestrel", "tortoise", "pigeon"} <= species


def test_an_unknown_builtin_scenario_lists_those_there_are() -> None:
    with pytest.raises(ScenarioError, match="coastal-wildlife-hospital"):
        builtin_scenario_text("moon-base")


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("mass_kg: 0.6", "mass_kg: -0.6", r"places\.0\.patient\.mass_kg: .*greater than 0"),
        ("mass_kg: 0.6", "mass_kg: .inf", r"places\.0\.patient\.mass_kg"),
        ("mass_kg: 0.6", "weight: 0.6", r"places\.0\.patient\.weight"),
        ("mass_kg: 0.6", 'mass_kg: "0.6"', r"places\.0\.patient\.mass_kg"),
        ("class: reptile", "class: fish", r"places\.5\.patient\.class"),
        ("kind: compliance", "kind: earthquake", r"places\.0\.events\.0"),
        ("kind: compliance, factor: 0.5", "kind: compliance, factor: 0", "occlude"),
        ("kind: settings, mode: spontaneous", "kind: settings", "at least one"),
        ("place: bay-2", "place: bay-1", "'bay-1' stands twice"),
        ("device: sim-bay-2", "device: sim-bay-1", "'sim-bay-1' stands twice"),
        ("place: bay-2", "place: a/b", r"places\.1\.place"),
        ("pip_target_cmh2o: 9.5", "pip_target_cmh2o: 9.5, peep_cmh2o: 9.5", "over peep_cmh2o"),
        ("pip_target_cmh2o: 9.5", "pip_target_cmh2o: 35", "under circuit.relief_cmh2o"),
        ("residual_ml: 13.5", "residual_ml: 1.0", "residual_ml must be over"),
        ("onset: {at_s: 38}", "onset: {measure: ti}", "give at_s, or measure"),
        ("onset: {at_s: 38}", "onset: {at_s: 38, below_share: 0.5}", "give at_s, or measure"),
        ("temperature_c: 37.4", "temperature_c: 37.4, paw_hz: 300", "whole milliseconds"),
        ("temperature_c: 37.4", "temperature_c: 37.4, paw_hz: 600", r"paw_hz"),
        ("temperature_c: 37.4", "temperature_c: 37.4, co2_block_s: 0.33", "no whole number"),
        ("ward: recovery", "ward: recovery\nward: again", "duplicate key"),
        ("places:", "places: [", "not YAML"),
    ],
)
def test_errors_say_where_and_why(old: str, new: str, message: str) -> None:
    assert old in TEXT
    with pytest.raises(ScenarioError, match=message):
        load_scenario(TEXT.replace(old, new, 1))


@pytest.mark.parametrize("text", ["", "- 1", "hello", "scenario: x"])
def test_what_is_no_scenario(text: str) -> None:
    with pytest.raises(ScenarioError, match="scenario"):
        load_scenario(text)


def test_many_errors_are_counted() -> None:
    with pytest.raises(ScenarioError, match=r"and \d+ more"):
        load_scenario(TEXT.replace("mass_kg", "kilograms"))


@pytest.mark.parametrize(
    ("event", "what"),
    [
        ({"kind": "compliance", "factor": 0.5, "over_s": 15}, "compliance x0.5 over 15 s"),
        ({"kind": "resistance", "factor": 8}, "resistance x8"),
        ({"kind": "leak", "ml_per_s_per_cmh2o": 0.2}, "leak of 0.2 mL/s per cmH2O"),
        ({"kind": "disconnect"}, "circuit disconnected"),
        ({"kind": "settings", "te_set_s": 4}, "settings: te_set_s 4"),
        ({"kind": "supply", "supply": "battery"}, "supply: battery"),
        ({"kind": "sensor-off", "sensor": "co2"}, "sensor-off: co2"),
        ({"kind": "silent", "for_s": 2}, "device silent for 2 s"),
        ({"kind": "silent", "for_s": 2, "lost": True}, "device messages lost for 2 s"),
        (
            {"kind": "silent", "for_s": 90, "only": "settings"},
            "device silent on settings for 90 s",
        ),
        ({"kind": "restart"}, "device restarts, 4 s"),
        ({"kind": "phase", "phase": "weaning"}, "phase: weaning"),
    ],
)
def test_each_event_is_told_as_truth(event: dict[str, Any], what: str) -> None:
    ward, _ = run(2.0, events=[{"at_s": 1.5, **event}])
    (truth,) = ward.truth
    assert truth.what.startswith(what)
    assert truth.at_ms == START_MS + 1500
    assert truth.place == "bay-1"
    assert truth.expects is None


def _with_expectation(onset: dict[str, Any]) -> Scenario:
    expectation = {
        "what": "less volume",
        "rule": "some-rule",
        "priority": "low",
        "within_s": 5,
        "onset": onset,
    }
    event = {"at_s": 3, "kind": "compliance", "factor": 0.5, "over_s": 10}
    return scenario(events=[event], expects=[expectation])


def test_an_expectation_by_measure_begins_with_the_first_breath_beyond() -> None:
    ward = SimulatedWard(_with_expectation({"measure": "volume", "below_share": 0.8}), START_MS, 1)
    ward.advance(START_MS + 20_000)
    (truth,) = [t for t in ward.truth if t.expects is not None]
    assert truth.expects == Expectation("some-rule", "low", 5.0)
    start = ward.breaths("bay-1")[0].lung_volume_ml
    beyond = next(b for b in ward.breaths("bay-1") if b.lung_volume_ml < 0.8 * start)
    assert truth.at_ms == pytest.approx(beyond.start_ms + 1000 * beyond.ti_s, abs=1.0)


def test_an_expectation_that_is_not_reached_is_not_told() -> None:
    ward = SimulatedWard(_with_expectation({"measure": "ti", "above_share": 1.2}), START_MS, 1)
    ward.advance(START_MS + 20_000)
    assert [t for t in ward.truth if t.expects is not None] == []


def test_an_expectation_by_time() -> None:
    ward = SimulatedWard(_with_expectation({"at_s": 7.25}), START_MS, 1)
    ward.advance(START_MS + 20_000)
    (truth,) = [t for t in ward.truth if t.expects is not None]
    assert truth.at_ms == START_MS + 7250


def test_blood_by_species_by_size_or_as_given() -> None:
    stoat = scenario().places[0]
    assert stoat.p50_mmhg == oxygen.p50_by_mass_mmhg(0.3)
    rabbit = scenario(patient={"species": "rabbit"}).places[0]
    assert rabbit.p50_mmhg == oxygen.BLOOD["rabbit"].p50_mmhg
    assert scenario(gas={"p50_mmhg": 28.0}).places[0].p50_mmhg == 28.0


def test_a_ventilator_that_cannot_begin_still_starts() -> None:
    # The open valve alone holds the pressure over the target: nothing is ever inflated.
    ward, sent = run(5.0, circuit={"valve_resistance_cmh2o_s_per_l": 1500.0})
    assert ward.breaths("bay-1") == []
    assert sent


def test_a_place_that_starts_by_itself_breathes() -> None:
    own = {"co2_threshold_mmhg": 45.0, "rate_per_min": 40.0, "effort_cmh2o": 8.0}
    ward, sent = run(20.0, settings={"mode": "spontaneous"}, drive=own)
    kinds = {breath.kind for breath in ward.breaths("bay-1")}
    assert kinds == {"spontaneous"}
    assert numeric_at(sent, "rr", 20) == pytest.approx(40.0, abs=0.5)
