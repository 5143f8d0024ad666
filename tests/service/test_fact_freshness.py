"""A value that is too old is absent, with words that say so; old data never overwrites newer."""

from __future__ import annotations

import pytest
from service_bench import PLACE, START_MS, Bed, arrival, quantity
from wave_shapes import Expiration, Ventilation

from rules.vocabulary import CATALOGUE
from service.facts import FactSet, facts_of
from service.intake import Accepted, Intake

WAVE_S, NUMERIC_S = 3.0, 10.0
PAW_FACTS = {name for name in CATALOGUE if name.startswith("paw.")} | {
    "breath.ti", "breath.te", "breath.rr", "breath.ie", "breath.count_60s", "breath.since",
    "breath.overdue", "volume.tidal", "volume.per_kg", "ti.ratio_to_baseline",
    "slope.ratio_to_baseline", "step.over_baseline", "volume.ratio_to_baseline",
}  # fmt: skip
CO2_FACTS = {name for name in CATALOGUE if name.startswith(("co2.", "etco2"))} | {"fico2"}


def at(bed: Bed, after_s: float) -> FactSet:
    """The facts so many seconds after the start."""
    return facts_of(bed.bedside, START_MS + round(1000 * after_s))


#: What a confirmed change did, and what a pause in breathing did: there is none in these tests.
JUMPS = {f"settings.{name}_jump" for name in ("pip_target", "te_set", "fresh_gas_flow")}
NOTHING_HAPPENED = JUMPS | {"co2.rise_in_pause"}


def well_known(seconds: float = 80.0) -> tuple[Bed, float]:
    """A bedside of which everything is known, and when that was."""
    bed = Bed()
    for kind in ("patient", "power", "journey"):
        bed.send(kind, 0.0)
    bed.send(
        "settings",
        0.0,
        peep_set=quantity(2.0, "cm[H2O]"),
        circuit_compliance=quantity(0.2, "mL/cm[H2O]"),
        apparatus_dead_space=quantity(1.0, "mL"),
    )
    pressure = Ventilation(0.6, 1.4).samples(int(seconds / 2), rate_hz=50)
    co2 = Expiration(inspiration_s=0.6, expiration_s=1.4).samples(int(seconds / 2))
    now_s = 0.0
    while now_s + 0.5 < seconds:
        paw = [round(p, 2) for _, p in pressure[round(50 * now_s) : round(50 * now_s) + 25]]
        gas = [round(c, 2) for _, c in co2[round(25 * now_s) : round(25 * now_s) + 12]]
        begin_s, now_s = now_s, now_s + 0.5
        bed.send("waveform", now_s, at_s=begin_s, samples=paw)
        bed.send(
            "waveform", now_s, at_s=begin_s, samples=gas, channel="co2", unit="mm[Hg]", rate_hz=24
        )
        values = {
            "spo2": quantity(97.0, "%"),
            "pulse_rate": quantity(180.0, "/min"),
            "temperature": quantity(37.0, "Cel"),
            "gas_supply_pressure": quantity(4.0, "bar"),
            "fio2": quantity(95.0, "%"),
        }
        bed.send("numerics", now_s, values=values)
        if round(now_s) % 60 == 0:
            bed.send("power", now_s)
    return bed, now_s


def test_a_bedside_of_which_everything_is_known() -> None:
    bed, now_s = well_known()
    facts = at(bed, now_s)
    # Where nothing has changed there is nothing to say of by how much, or since when.
    unchanged = {"change.factor", "change.lasts", "change.second"}
    # Temperature is followed over stretches of 20 s, which are too few here.
    known = set(CATALOGUE) - unchanged - NOTHING_HAPPENED - {"temperature.slope_per_h"}
    assert set(facts.values) - {"sensor.co2"} == known - {"sensor.co2"}


def test_every_wave_fact_stands_for_three_seconds_and_no_longer() -> None:
    bed, now_s = well_known()
    assert at(bed, now_s + WAVE_S).values.keys() >= (PAW_FACTS | CO2_FACTS) - NOTHING_HAPPENED
    old = at(bed, now_s + WAVE_S + 0.05)
    assert not old.values.keys() & (PAW_FACTS | CO2_FACTS)
    for name in PAW_FACTS | CO2_FACTS:
        assert "last received 3 s ago" in old.unknown[name], name
    # Only how old it is remains known.
    assert old.values["data.paw_age"] == pytest.approx(WAVE_S + 0.05)
    assert "breathing.since" in old.unknown


def test_numerics_stand_for_ten_seconds_and_no_longer() -> None:
    bed, now_s = well_known()
    names = {"spo2", "pulse_rate", "temperature"}
    assert at(bed, now_s + NUMERIC_S).values.keys() >= names
    old = at(bed, now_s + NUMERIC_S + 0.05)
    assert not old.values.keys() & names
    assert all(old.unknown[name] == "last received 10 s ago" for name in names)


@pytest.mark.parametrize(
    ("prefix", "stands_s"), [("settings.", 180.0), ("power.", 120.0), ("battery.", 120.0)]
)
def test_settings_and_power_stand_longer(prefix: str, stands_s: float) -> None:
    bed = Bed()
    bed.send("patient", 0.0)
    more = {"peep_set": quantity(2.0, "cm[H2O]"), "apparatus_dead_space": quantity(1.0, "mL")}
    bed.send("settings", 0.0, **more)
    bed.send("power", 0.0)
    names = {name for name in CATALOGUE if name.startswith(prefix)}
    assert at(bed, stands_s).values.keys() >= names - NOTHING_HAPPENED
    old = at(bed, stands_s + 0.05)
    assert not old.values.keys() & names
    assert all("min ago" in old.unknown[name] for name in names)


def test_the_patient_does_not_go_stale() -> None:
    bed = Bed()
    bed.send("patient", 0.0)
    assert at(bed, 36_000.0).values["patient.mass"] == pytest.approx(0.6)


def test_end_tidal_from_the_monitor_stands_ten_seconds() -> None:
    bed = Bed()
    bed.send("numerics", 0.0, values={"etco2": quantity(38.0, "mm[Hg]")})
    assert at(bed, 10.0).values["etco2"] == 38.0
    assert at(bed, 10.05).unknown["etco2"] == "last received 10 s ago"


@pytest.mark.parametrize("status", ["sensor-off", "warming-up", "out-of-range"])
def test_no_value_says_why(status: str) -> None:
    bed = Bed()
    bed.send("numerics", 0.0, values={"spo2": quantity(97.0, "%")})
    bed.send("numerics", 1.0, values={"spo2": {"value": None, "status": status}})
    assert at(bed, 1.0).unknown["spo2"] == status.replace("-", " ")


def test_a_questionable_value_is_not_used() -> None:
    bed = Bed()
    odd = {"value": 71.0, "unit": "%", "status": "questionable"}
    bed.send("numerics", 0.0, values={"spo2": odd})
    assert at(bed, 0.0).unknown["spo2"] == "questionable"


def test_a_late_reading_does_not_overwrite_a_newer_one() -> None:
    bed = Bed()
    newer = arrival("numerics", 5, 2.0, values={"spo2": quantity(91.0, "%")})
    older = arrival("numerics", 4, 2.2, at_s=1.0, values={"spo2": quantity(97.0, "%")})
    bed.take(newer, older)
    assert at(bed, 2.2).values["spo2"] == 91.0


def test_late_settings_and_power_do_not_overwrite_newer_ones() -> None:
    bed = Bed()
    bed.take(
        arrival("settings", 5, 2.0, mode="spontaneous"),
        arrival("settings", 4, 2.2, at_s=1.0, mode="controlled"),
        arrival("power", 7, 2.3, supply="battery"),
        arrival("power", 6, 2.4, at_s=1.0, supply="mains"),
    )
    facts = at(bed, 2.4)
    assert facts.values["settings.mode"] == "spontaneous"
    assert facts.values["power.supply"] == "battery"


def test_what_only_the_late_message_had_is_taken() -> None:
    bed = Bed()
    bed.take(
        arrival("numerics", 5, 2.0, values={"spo2": quantity(91.0, "%")}),
        arrival("numerics", 4, 2.2, at_s=1.0, values={"temperature": quantity(37.0, "Cel")}),
    )
    assert at(bed, 2.2).values["temperature"] == 37.0


@pytest.mark.parametrize("ahead_s", [60.0, 3600.0, 80_000.0])
def test_a_clock_set_from_the_future_to_now_does_not_freeze_readings(ahead_s: float) -> None:
    bed = Bed()
    bed.send("numerics", 0.0, at_s=ahead_s, values={"spo2": quantity(97.0, "%")})
    bed.send("settings", 0.1, at_s=ahead_s, mode="controlled")
    bed.send("power", 0.2, at_s=ahead_s, supply="mains")
    bed.send("numerics", 1.0, values={"spo2": quantity(88.0, "%")})
    bed.send("settings", 1.1, mode="spontaneous")
    bed.send("power", 1.2, supply="battery")
    facts = at(bed, 1.2)
    assert facts.values["spo2"] == 88.0
    assert facts.values["settings.mode"] == "spontaneous"
    assert facts.values["power.supply"] == "battery"


@pytest.mark.parametrize("shift_s", [-80_000, -3600, -60, -6, -3, -0.2, 0.2, 3, 60, 3600, 80_000])
def test_a_clock_set_anew_does_not_freeze_the_waves(shift_s: float) -> None:
    bed, now_s = well_known(20.0)
    pressure = Ventilation(0.6, 1.4, pip=16.0).samples(10, rate_hz=50)
    for number in range(36):
        begin_s, now_s = now_s, now_s + 0.5
        block = [round(p, 2) for _, p in pressure[25 * number : 25 * number + 25]]
        bed.send("waveform", now_s, at_s=begin_s + shift_s, samples=block)
        # A gap is declared by time, as the watch does it.
        bed.bedside.due(START_MS + round(1000 * (now_s + 0.5)))
    facts = at(bed, now_s + 0.5)
    assert facts.values["paw.pip"] == pytest.approx(16.0, abs=0.5)
    assert facts.values["paw.max_10s"] == pytest.approx(16.0, abs=0.5)
    assert 0.0 <= facts.values["breath.since"] < 3.0
    assert facts.values["breath.rr"] == pytest.approx(30.0, abs=1.0)
    # Breaths of another time are not among those of the last minute.
    count = facts.values["breath.count_60s"]
    assert 8 <= count <= (10 if shift_s <= -6 or shift_s >= 60 else 20)


def test_skew_is_told() -> None:
    bed = Bed()
    bed.send("numerics", 10.0, at_s=-20.0)
    assert at(bed, 10.0).values["data.clock_skew"] == pytest.approx(30.0)


def test_lost_and_refused_messages_count_for_a_minute() -> None:
    intake, bed = Intake(), Bed()
    for item in (arrival("numerics", 1, 0.0), arrival("numerics", 12, 1.0)):
        taken = intake.take(item)
        assert isinstance(taken, Accepted)
        bed.bedside.take(taken)
    assert at(bed, 1.0).values["data.lost_60s"] == 10.0
    assert at(bed, 60.9).values["data.lost_60s"] == 10.0
    assert at(bed, 61.1).values["data.lost_60s"] == 0.0
    assert bed.bedside.name == PLACE
