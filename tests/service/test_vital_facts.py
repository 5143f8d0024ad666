"""Facts of saturation, pulse and temperature: what cannot be is absent, with words why."""

from __future__ import annotations

import math
from typing import Any

import pytest
from scipy.optimize import brentq
from service_bench import START_MS, Bed, quantity

from service.facts import FactSet, facts_of, sources_of


def _facts(bed: Bed, after_s: float) -> FactSet:
    return facts_of(bed.bedside, START_MS + round(1000 * after_s))


def _numerics(bed: Bed, after_s: float, **values: float) -> None:
    units = {"spo2": "%", "pulse_rate": "/min", "temperature": "Cel"}
    bed.send(
        "numerics", after_s, values={name: quantity(v, units[name]) for name, v in values.items()}
    )


def _bed(**patient: Any) -> Bed:
    bed = Bed()
    bed.send("patient", 0.0, **patient)
    bed.send("settings", 0.0)
    return bed


def _cat_po2(share: float, sds: float = 0.0) -> float:
    """PO2 by scipy's root of Severinghaus 1979 at a cat's P50, 34.1 +/- 1.8 (Cambier 2004)."""
    root = brentq(lambda p: 1.0 / (23400.0 / (p**3 + 150.0 * p) + 1.0) - share, 1.0, 500.0)
    return float(root) * 34.1 / 26.86 * math.exp(sds * 1.8 / 34.1)


@pytest.mark.parametrize("low", [10.0, 0.0])
def test_a_leap_makes_saturation_absent_for_three_seconds(low: float) -> None:
    bed = _bed(mass=quantity(5.0, "kg"))
    for second in range(30):
        _numerics(bed, second, spo2=97.0, pulse_rate=180.0)
    for second in (30, 31, 32):
        _numerics(bed, second, spo2=low, pulse_rate=180.0)
        facts = _facts(bed, second)
        why = f"saturation fell from 97 to {low:.0f} % in 1 s: probe out of place?"
        assert facts.unknown["spo2"] == why
        # What rests on it goes with it.
        for name in ("slope_60s", "doubtful", "po2_equivalent_low"):
            assert facts.unknown[f"spo2.{name}"] == why
    _numerics(bed, 33.0, spo2=low, pulse_rate=180.0)
    assert _facts(bed, 33.0).values["spo2"] == low


def test_a_small_animal_on_air_desaturates_unhindered() -> None:
    # 0.05 kg: on air the lung is empty within seconds; each reading stands as it comes.
    bed = _bed(mass=quantity(0.05, "kg"), species="mouse")
    for second, value in enumerate([98.0, 98.0, 98.0, 80.0, 45.0, 12.0, 5.0]):
        _numerics(bed, second, spo2=value)
        assert _facts(bed, second).values["spo2"] == value


def test_temperature_that_cannot_be() -> None:
    bed = _bed()
    _numerics(bed, 0.0, temperature=37.0)
    _numerics(bed, 10.0, temperature=31.0)
    facts = _facts(bed, 10.0)
    assert facts.unknown["temperature"] == "temperature fell 6.0 °C in 10 s: probe out of place?"
    for value in (1.9, 45.1):
        cold = _bed()
        _numerics(cold, 0.0, temperature=value)
        why = _facts(cold, 0.0).unknown["temperature"]
        assert why == f"a temperature of {value:.1f} °C cannot be: probe out of place?"
    for value in (2.0, 45.0):
        edge = _bed()
        _numerics(edge, 0.0, temperature=value)
        assert _facts(edge, 0.0).values["temperature"] == value


# Stahl 1967 (from memory): 241 x 0.6^-0.25 = 273.8 /min in a cat of 0.6 kg; the band (our
# suggestion) is 91.28 to 547.6, and over three times the line, 821.5, nothing can be.
@pytest.mark.parametrize(
    ("pulse", "doubtful"), [(91.0, True), (92.0, False), (547.0, False), (548.0, True)]
)
def test_an_implausible_pulse_makes_saturation_doubtful(pulse: float, doubtful: bool) -> None:
    bed = _bed()
    _numerics(bed, 0.0, spo2=97.0, pulse_rate=pulse)
    facts = _facts(bed, 0.0)
    assert facts.values["spo2.doubtful"] is doubtful
    # A slow heart may be the truth: the rate itself stands.
    assert facts.values["pulse_rate"] == pulse
    assert facts.values["spo2"] == 97.0


def test_a_pulse_that_no_heart_has_is_absent() -> None:
    bed = _bed()
    _numerics(bed, 0.0, spo2=97.0, pulse_rate=821.0)
    assert _facts(bed, 0.0).values["pulse_rate"] == 821.0
    _numerics(bed, 1.0, spo2=97.0, pulse_rate=822.0)
    facts = _facts(bed, 1.0)
    assert (
        facts.unknown["pulse_rate"] == "a pulse rate of 822 /min cannot be in this patient: probe?"
    )
    assert facts.values["spo2.doubtful"] is True


def test_a_pulse_that_has_stuck_makes_saturation_doubtful() -> None:
    bed = _bed()
    for second in range(301):
        _numerics(bed, second, spo2=97.0, pulse_rate=200.0)
    assert _facts(bed, 299.9).values["spo2.doubtful"] is False
    assert _facts(bed, 300.0).values["spo2.doubtful"] is True
    # Saturation stood still as long, and is not doubted for it.
    assert _facts(bed, 300.0).values["spo2"] == 97.0


@pytest.mark.parametrize(
    ("patient", "words"),
    [
        ({"mass": None}, "mass not known, so not what pulse rate to expect"),
        ({"class": "reptile", "species": "tortoise"},
         "what pulse rate to expect in a reptile is not known"),
    ],
)  # fmt: skip
def test_doubt_needs_a_rate_to_expect(patient: dict[str, Any], words: str) -> None:
    bed = _bed(**patient)
    _numerics(bed, 0.0, spo2=97.0, pulse_rate=30.0)
    assert _facts(bed, 0.0).unknown["spo2.doubtful"] == words
    _numerics(bed, 1.0, spo2=97.0)
    assert _facts(bed, 1.0).unknown["spo2.doubtful"] == words
    assert _facts(bed, 10.5).unknown["spo2.doubtful"].startswith("pulse rate: last received")


def test_a_bird_has_a_pulse_to_expect() -> None:
    # Calder 1968 (from memory): 155.8 x 0.2^-0.23 = 225.6 /min, twice that 451.2.
    bed = _bed(**{"class": "bird", "species": "kestrel", "mass": quantity(0.2, "kg")})
    _numerics(bed, 0.0, spo2=97.0, pulse_rate=262.0)
    assert _facts(bed, 0.0).values["spo2.doubtful"] is False
    _numerics(bed, 1.0, spo2=97.0, pulse_rate=452.0)
    assert _facts(bed, 1.0).values["spo2.doubtful"] is True


def test_on_fresh_gas_saturation_is_a_late_sign() -> None:
    bed = _bed()
    facts = _facts(bed, 1.0)
    assert facts.values["spo2.late_sign"] is True
    assert _facts(bed, 181.0).unknown["spo2.late_sign"].startswith("fresh gas flow: last received")
    bed.send("settings", 2.0, fresh_gas_flow=quantity(0.0, "mL/min"))
    assert _facts(bed, 2.0).unknown["spo2.late_sign"] == (
        "no fresh gas: what is breathed is not known"
    )
    assert _facts(Bed(), 0.0).unknown["spo2.late_sign"] == "fresh gas flow: never received"


def test_po2_that_saturation_stands_for() -> None:
    # Cat, P50 34.1 (Cambier 2004): S 0.90 is 74.47 mmHg (computed from Severinghaus 1979). The
    # ends: half a percent less and more, at the 5th and 95th centile of the P50.
    bed = _bed()
    _numerics(bed, 0.0, spo2=90.0)
    values = _facts(bed, 0.0).values
    assert values["spo2.po2_equivalent"] == pytest.approx(74.47, rel=1e-3)
    assert values["spo2.po2_equivalent_low"] == pytest.approx(_cat_po2(0.895, -1.645), rel=1e-3)
    assert values["spo2.po2_equivalent_high"] == pytest.approx(_cat_po2(0.905, 1.645), rel=1e-3)
    # Cold blood holds on to its oxygen: cat at 33 °C, P50 29.43 (computed): 74.47 x 29.43/34.1.
    _numerics(bed, 1.0, spo2=90.0, temperature=33.0)
    cold = _facts(bed, 1.0).values["spo2.po2_equivalent"]
    assert cold == pytest.approx(64.27, rel=1e-3)


def test_over_97_percent_only_a_low_end_is_told() -> None:
    bed = _bed()
    _numerics(bed, 0.0, spo2=97.0)
    assert "spo2.po2_equivalent" in _facts(bed, 0.0).values
    _numerics(bed, 1.0, spo2=99.0)
    facts = _facts(bed, 1.0)
    why = "over 97 % the curve is flat: PO2 may be anything higher"
    assert facts.unknown["spo2.po2_equivalent"] == why
    assert facts.unknown["spo2.po2_equivalent_high"] == why
    lowest = facts.values["spo2.po2_equivalent_low"]
    assert lowest == pytest.approx(_cat_po2(0.965, -1.645), rel=1e-3)


def test_a_species_without_a_p50_goes_by_size_with_a_wider_interval() -> None:
    bed = _bed(species="hedgehog", mass=quantity(0.7, "kg"))
    _numerics(bed, 0.0, spo2=90.0)
    values = _facts(bed, 0.0).values
    # 50.34 x 700^-0.054 = 35.34 (Schmidt-Nielsen & Larimer 1958, from memory): 58.66 x 35.34/26.86.
    assert values["spo2.po2_equivalent"] == pytest.approx(77.2, rel=2e-3)
    high, low = values["spo2.po2_equivalent_high"], values["spo2.po2_equivalent_low"]
    assert isinstance(high, float)
    assert isinstance(low, float)
    assert high / low > 1.25
    unknown = _bed(species="hedgehog", mass=None)
    _numerics(unknown, 0.0, spo2=90.0)
    assert _facts(unknown, 0.0).unknown["spo2.po2_equivalent"] == "mass not known"


@pytest.mark.parametrize("class_", ["bird", "reptile", "amphibian"])
def test_no_po2_where_oximeters_are_not_calibrated(class_: str) -> None:
    bed = _bed(**{"class": class_, "species": "pigeon"})
    _numerics(bed, 0.0, spo2=90.0)
    why = f"pulse oximeters are calibrated for human blood: in a {class_} a trend"
    assert _facts(bed, 0.0).unknown["spo2.po2_equivalent"] == why


def test_without_a_patient() -> None:
    bed = Bed()
    _numerics(bed, 0.0, spo2=90.0, pulse_rate=5000.0 / 4)
    facts = _facts(bed, 0.0)
    assert facts.unknown["spo2.po2_equivalent"] == "patient not known"
    assert facts.unknown["spo2.doubtful"].startswith("mass not known")


def test_slope_and_what_it_rests_on() -> None:
    bed = _bed()
    for second in range(61):
        _numerics(bed, second, spo2=97.0 - second / 10.0)
    assert _facts(bed, 60.0).values["spo2.slope_60s"] == pytest.approx(-6.0)
    names = {"spo2", "spo2.slope_60s"}
    found = dict(sources_of(bed.bedside, names))
    assert found["spo2.slope_60s"] == found["spo2"]
    # Another patient begins anew.
    bed.send("patient", 61.0, patient="Marram")
    _numerics(bed, 62.0, spo2=40.0)
    facts = _facts(bed, 62.0)
    assert facts.values["spo2"] == 40.0
    assert facts.unknown["spo2.slope_60s"] == "less than 20 s of readings"


def test_what_the_monitor_says_of_itself_comes_first() -> None:
    bed = _bed()
    for second in range(20):
        _numerics(bed, second, spo2=97.0)
    bed.send("numerics", 20.0, values={"spo2": {"value": None, "status": "sensor-off"}})
    assert _facts(bed, 20.0).unknown["spo2"] == "sensor off"
    # A questionable value is not used, nor does it teach anything.
    bed.send(
        "numerics", 21.0, values={"spo2": {"value": 3.0, "unit": "%", "status": "questionable"}}
    )
    assert _facts(bed, 21.0).unknown["spo2"] == "questionable"
    assert bed.bedside.vitals.spo2.believed[-1][1] == 97.0
