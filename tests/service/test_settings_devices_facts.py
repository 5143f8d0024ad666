"""A setting that jumped, the mode's age, flow per mass, dead space, identity, supply, devices."""

from __future__ import annotations

import pytest
from service_bench import START_MS, Bed, arrival, quantity

from service.facts import FactSet, facts_of
from service.facts.identity import identity_facts
from service.presence import Presence
from service.supply_pressure import SupplyPressure


def facts(bed: Bed, after_s: float) -> FactSet:
    return facts_of(bed.bedside, START_MS + round(1000 * after_s))


def test_flow_per_mass_and_what_is_missing_for_it() -> None:
    bed = Bed()
    bed.send("settings", 0.0)
    assert "mass" in facts(bed, 1.0).unknown["settings.flow_per_kg"]
    bed.send("patient", 0.0)
    # 600 mL/min for 600 g.
    assert facts(bed, 1.0).values["settings.flow_per_kg"] == pytest.approx(1000.0)


def test_a_confirmed_jump_is_told_for_two_minutes() -> None:
    bed = Bed()
    bed.send("settings", 0.0)
    assert "settings.pip_target_jump" in facts(bed, 1.0).unknown
    bed.send("settings", 10.0, pip_target=quantity(17.0, "cm[H2O]"), te_set=quantity(4.0, "s"))
    bed.send("settings", 70.0, pip_target=quantity(17.0, "cm[H2O]"), te_set=quantity(4.0, "s"))
    now = facts(bed, 100.0).values
    assert now["settings.pip_target_jump"] == pytest.approx(5.0)
    assert now["settings.te_set_jump"] == pytest.approx(2.0)
    assert now["settings.fresh_gas_flow_jump"] == pytest.approx(1.0)
    assert "settings.pip_target_jump" in facts(bed, 131.0).unknown


def test_another_patient_starts_without_a_jump() -> None:
    bed = Bed()
    bed.send("patient", 0.0)
    bed.send("settings", 0.0)
    bed.send("settings", 10.0, pip_target=quantity(20.0, "cm[H2O]"))
    bed.send("patient", 20.0, patient="Marram")
    assert "settings.pip_target_jump" in facts(bed, 21.0).unknown


def test_the_mode_has_its_own_age() -> None:
    bed = Bed()
    bed.send("settings", 0.0)
    bed.send("settings", 30.0, te_set=quantity(3.0, "s"))
    now = facts(bed, 40.0).values
    assert (now["settings.mode_for"], now["settings.unchanged_for"]) == (40.0, 10.0)
    bed.send("settings", 50.0, mode="spontaneous", te_set=quantity(3.0, "s"))
    assert facts(bed, 53.0).values["settings.mode_for"] == 3.0


def test_how_long_settings_were_not_confirmed_is_known_when_they_are_not_used_any_more() -> None:
    bed = Bed()
    bed.send("patient", 0.0)
    assert "data.settings_age" in facts(bed, 300.0).unknown
    bed.send("settings", 0.0)
    bed.send("settings", 60.0)
    assert facts(bed, 70.0).values["data.settings_age"] == 10.0
    late = facts(bed, 360.0)
    assert late.values["data.settings_age"] == 300.0
    assert "settings.mode" in late.unknown


# -- who reports -----------------------------------------------------------------------------


def _from(bed: Bed, device: str, kind: str, after_s: float, seq: int, **changes: object) -> None:
    bed.take(arrival(kind, seq, after_s, device=device, **changes))


def test_two_devices_at_one_place_are_seen_while_both_measure() -> None:
    bed = Bed()
    _from(bed, "one", "settings", 0.0, 1)
    _from(bed, "two", "settings", 1.0, 1)
    assert facts(bed, 2.0).values["data.devices_60s"] == 2.0
    _from(bed, "two", "settings", 50.0, 2)
    assert facts(bed, 65.0).values["data.devices_60s"] == 1.0


def test_a_monitor_beside_the_ventilator_is_no_second_device() -> None:
    bed = Bed()
    _from(bed, "ventilator", "settings", 0.0, 1)
    _from(bed, "oximeter", "numerics", 0.0, 1)
    assert facts(bed, 1.0).values["data.devices_60s"] == 1.0


def test_a_capnograph_beside_the_ventilator_is_none_either() -> None:
    bed = Bed()
    _from(bed, "ventilator", "settings", 0.0, 1)
    _from(bed, "ventilator", "waveform", 0.1, 2)
    _from(bed, "capnograph", "waveform", 0.1, 1, channel="co2", unit="mm[Hg]")
    assert facts(bed, 1.0).values["data.devices_60s"] == 1.0
    _from(bed, "another", "waveform", 0.2, 1)
    assert facts(bed, 1.0).values["data.devices_60s"] == 2.0


def test_two_names_for_one_place() -> None:
    bed = Bed()
    _from(bed, "one", "patient", 0.0, 1)
    _from(bed, "two", "patient", 1.0, 1, patient="Marram")
    assert facts(bed, 2.0).values["data.patients_claimed_60s"] == 2.0
    # One device that goes on to the next patient claims one at a time.
    _from(bed, "two", "patient", 3.0, 2)
    assert facts(bed, 4.0).values["data.patients_claimed_60s"] == 1.0


def test_restarts_are_counted_for_ten_minutes() -> None:
    presence = Presence()
    for number in range(4):
        presence.hear("one", f"epoch-{number}", START_MS + 60_000 * number, "paw")
    assert presence.restarts(START_MS + 180_000) == 3
    assert presence.restarts(START_MS + 750_000) == 1


def test_no_more_devices_are_remembered_than_there_can_be() -> None:
    presence = Presence()
    for number in range(500):
        presence.hear(f"device-{number}", "e", START_MS + number, "paw")
    assert len(presence.devices) <= 12


# -- sensors ---------------------------------------------------------------------------------


@pytest.mark.parametrize("status", ["sensor-off", "warming-up", "out-of-range"])
def test_what_a_sensor_says_of_itself(status: str) -> None:
    bed = Bed()
    bed.send("numerics", 0.0, values={"etco2": {"value": None, "status": status}})
    assert facts(bed, 1.0).values["sensor.co2"] == status
    assert "sensor.co2" in facts(bed, 12.0).unknown


def test_lost_samples_of_pressure_are_counted() -> None:
    bed = Bed()
    bed.send("waveform", 0.0, samples=[0.0] * 25)
    assert facts(bed, 0.6).values["data.paw_missing_10s"] == 0.0
    bed.send("waveform", 0.5, samples=[None] * 25)
    assert facts(bed, 1.1).values["data.paw_missing_10s"] == pytest.approx(0.5)
    bed.send("waveform", 12.0, samples=[None] * 25)
    bed.bedside.due(START_MS + 14_000)
    now = facts(bed, 14.0).values
    assert (now["data.paw_missing_10s"], now["sensor.paw"]) == (1.0, "sensor-off")


# -- gas supply and charger ------------------------------------------------------------------


def test_a_failing_cylinder_is_held_against_what_was_usual() -> None:
    supply = SupplyPressure()
    for second in range(40):
        supply.take(START_MS + 1000 * second, 400.0)
    for second in range(40, 200):
        supply.take(START_MS + 1000 * second, 400.0 - 2.0 * (second - 40))
    assert supply.usual_kpa == pytest.approx(400.0)
    for second in range(200, 300):
        supply.take(START_MS + 1000 * second, 500.0)
    assert supply.usual_kpa == pytest.approx(500.0)


def test_plugged_in_without_charging_is_timed() -> None:
    bed = Bed()
    charge, none = quantity(60.0, "%"), quantity(0.0, "A")
    for minute in range(6):
        bed.send("power", 60.0 * minute, supply="mains", charge=charge, current=none)
    assert facts(bed, 301.0).values["power.not_charging_for"] == pytest.approx(301.0)
    # A charger counts the current into the battery as negative; it charges all the same.
    bed.send("power", 310.0, supply="mains", charge=charge, current=quantity(-0.7, "A"))
    assert facts(bed, 311.0).values["power.not_charging_for"] == 0.0


def test_a_full_battery_needs_no_charging() -> None:
    bed = Bed()
    for minute in range(6):
        bed.send("power", 60.0 * minute, supply="mains", charge=quantity(98.0, "%"),
                 current=quantity(0.0, "A"))  # fmt: skip
    assert facts(bed, 301.0).values["power.not_charging_for"] == 0.0


# -- identity --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lung", "pulse", "doubtful"),
    [(1.0, 0.8, False), (5.0, 0.5, True), (0.2, 1.8, True), (5.0, 0.9, False), (0.2, 0.7, False)],
)
def test_the_mass_is_doubted_only_when_chest_and_pulse_agree(
    lung: float, pulse: float, *, doubtful: bool
) -> None:
    known = FactSet({"lung.compliance_over_expected": lung, "pulse.over_expected": pulse})
    identity_facts(known)
    assert known.values["patient.doubtful"] is doubtful


def test_one_of_them_alone_says_nothing() -> None:
    known = FactSet({"pulse.over_expected": 0.3})
    identity_facts(known)
    assert "patient.doubtful" in known.unknown
