"""Quantities are converted on entry.

Factors: NIST SP 811 (2008), Appendix B (mmHg 133.322 4 Pa, cmH2O 98.066 5 Pa, degF); the rest is
the decimal prefixes of the SI and the UCUM table of customary units.
"""

from __future__ import annotations

from typing import Any

import pytest
from service_bench import quantity, read, refusal

#: Pascal in one unit.
MMHG_PA, CMH2O_PA = 133.322387415, 98.0665
#: Tables print the mercury factor with six to ten digits.
TABLE = 1e-5


def _numeric(name: str, value: float, unit: str) -> tuple[float, str]:
    found = read("numerics", values={name: quantity(value, unit)}).values[name]
    return found.value, found.unit


@pytest.mark.parametrize(
    ("unit", "pascal"),
    [
        ("cm[H2O]", CMH2O_PA),
        ("mbar", 100.0),
        ("hPa", 100.0),
        ("kPa", 1000.0),
        ("mm[Hg]", MMHG_PA),
        ("Pa", 1.0),
    ],
)
@pytest.mark.parametrize(("name", "ours", "ours_pa"), [
    ("pip", "cm[H2O]", CMH2O_PA),
    ("etco2", "mm[Hg]", MMHG_PA),
])  # fmt: skip
def test_pressures(name: str, ours: str, ours_pa: float, unit: str, pascal: float) -> None:
    value = 1500.0 / pascal  # 15 hPa, within what either sensor can give
    assert _numeric(name, value, unit) == (pytest.approx(1500.0 / ours_pa, rel=TABLE), ours)


def test_kilopascal_and_hectopascal_as_printed() -> None:
    # 1 kPa = 7.501 mmHg and 1 cmH2O = 0.9807 hPa, to the digits that tables print.
    assert _numeric("etco2", 1.0, "kPa")[0] == pytest.approx(7.501, abs=5e-4)
    assert _numeric("pip", 0.9807, "hPa")[0] == pytest.approx(1.0, abs=5e-5)


@pytest.mark.parametrize(
    ("section", "name", "value", "unit", "expected"),
    [
        ("settings", "fresh_gas_flow", 0.6, "L/min", 600.0),
        ("settings", "fresh_gas_flow", 600.0, "mL/min", 600.0),
        ("settings", "fresh_gas_flow", 10.0, "mL/s", 600.0),
        ("settings", "te_set", 2000.0, "ms", 2.0),
        ("settings", "te_set", 0.05, "min", 3.0),
        ("settings", "circuit_compliance", 1.0, "mL/mbar", 0.980665),
        ("power", "charge", 0.5, "1", 50.0),
        ("power", "capacity", 2200.0, "mA.h", 2.2),
        ("power", "capacity", 7920.0, "C", 2.2),
        ("power", "current", -500.0, "mA", -0.5),
        ("patient", "mass", 350.0, "g", 0.35),
        ("patient", "mass", 1.0, "[lb_av]", 0.45359237),
    ],
)
def test_other_quantities(
    section: str, name: str, value: float, unit: str, expected: float
) -> None:
    found = getattr(read(section, **{name: quantity(value, unit)}), name)
    assert found.value == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("name", "value", "unit", "expected"),
    [
        ("temperature", 98.6, "[degF]", 37.0),
        ("temperature", 32.0, "[degF]", 0.0),
        ("temperature", 310.15, "K", 37.0),
        ("spo2", 0.97, "1", 97.0),
        ("rr", 0.5, "Hz", 30.0),
        ("rr", 20.0, "{breath}/min", 20.0),
        ("pulse_rate", 3.0, "/s", 180.0),
    ],
)
def test_other_numerics(name: str, value: float, unit: str, expected: float) -> None:
    assert _numeric(name, value, unit)[0] == pytest.approx(expected, abs=1e-9)


def test_a_unit_that_is_only_an_annotation_counts_as_one() -> None:
    # UCUM section 6: a term in curly braces alone is equivalent to 1.
    assert _numeric("spo2", 0.97, "{fraction}")[0] == pytest.approx(97.0)
    assert "etco2" in refusal("numerics", values={"etco2": quantity(5.0, "{x}")})


@pytest.mark.parametrize(
    ("channel", "unit", "value", "expected"),
    [
        ("paw", "kPa", 1.0, 1000.0 / CMH2O_PA),
        ("paw", "mbar", 10.0, 1000.0 / CMH2O_PA),
        ("co2", "kPa", 5.0, 5000.0 / MMHG_PA),
        ("flow", "L/min", 6.0, 100.0),
        ("flow", "mL/s", 100.0, 100.0),
        ("pleth", "1", -37.0, -37.0),
    ],
)
def test_every_sample_of_a_waveform(channel: str, unit: str, value: float, expected: float) -> None:
    block = read("waveform", channel=channel, unit=unit, samples=[value, None, 2 * value])
    assert block.samples[1] is None
    assert [block.samples[0], block.samples[2]] == pytest.approx(
        [expected, 2 * expected], rel=TABLE
    )


def test_our_own_unit_keeps_every_bit() -> None:
    values = [0.1 + 0.2, 11.999999999999998, -0.05]
    assert read("waveform", samples=values, unit="cm[H2O]").samples == values
    assert _numeric("spo2", 0.1 + 0.2, "%")[0] == 0.1 + 0.2


WRONG: list[tuple[str, str, dict[str, Any], str]] = [
    ("numerics", "etco2", {"values": {"etco2": quantity(5.0, "s")}}, "mm[Hg]"),
    ("numerics", "spo2", {"values": {"spo2": quantity(97.0, "mm[Hg]")}}, "%"),
    ("settings", "te_set", {"te_set": quantity(2.0, "cm[H2O]")}, "s"),
    ("settings", "fresh_gas_flow", {"fresh_gas_flow": quantity(600.0, "mL")}, "mL/min"),
    ("settings", "pip_target", {"pip_target": quantity(12.0, "%")}, "cm[H2O]"),
    ("power", "capacity", {"capacity": quantity(26.0, "W.h")}, "A.h"),
    ("patient", "mass", {"mass": quantity(350.0, "mL")}, "kg"),
    ("waveform", "samples", {"unit": "L"}, "cm[H2O]"),
]


@pytest.mark.parametrize(("kind", "field", "changes", "ours"), WRONG)
def test_another_dimension_is_refused_with_field_and_fix(
    kind: str, field: str, changes: dict[str, Any], ours: str
) -> None:
    reason = refusal(kind, **changes)
    assert field in reason
    assert f"in {ours}" in reason or f"send {ours}" in reason


@pytest.mark.parametrize("unit", ["mmHg", "cmH2O", "torr", "MM[HG]", "", " ", "kPa ", "m" * 41])
def test_a_unit_that_ucum_does_not_know_is_refused(unit: str) -> None:
    reason = refusal("numerics", values={"etco2": quantity(38.0, unit)})
    assert "etco2" in reason
    assert "unit" in reason


@pytest.mark.parametrize("unit", ["B[10.nV]", "B[V]"])
def test_a_logarithmic_unit_is_never_read_as_a_straight_line(unit: str) -> None:
    # UCUM section 46: level units are logarithms; 1 B[V] is 3.16 V, 2 B[V] are 10 V.
    assert "voltage" in refusal("power", voltage=quantity(2.0, unit))


def test_a_name_that_is_not_used_keeps_its_value_and_unit() -> None:
    found = read("numerics", values={"agent": quantity(1.8, "%{vol}")}).values["agent"]
    assert (found.value, found.unit) == (1.8, "%{vol}")
