"""Truth: each fault is there from when the lung, the gas or the wire has it."""

from __future__ import annotations

import pytest
from cases import case_with, quiet_case

from adapters.evaluation import faults
from adapters.evaluation.trace import simulate
from adapters.evaluation.truth import Stretch, Truth, truth_of
from adapters.evaluation.truth_kinds import CRITERIA, Kind


def _truth(fault: str, **given: object) -> Truth:
    case = case_with(fault, **given)  # type: ignore[arg-type]  # named by key
    return truth_of(case, simulate(case))


def test_a_quiet_case_has_no_condition() -> None:
    case = quiet_case()
    assert truth_of(case, simulate(case)).stretches == ()


@pytest.mark.parametrize(
    ("fault", "kind", "within_s"),
    [
        # At once, by what it is.
        ("disconnection", Kind.DISCONNECTED, 0.5),
        ("extubation", Kind.DISCONNECTED, 0.5),
        ("occlusion", Kind.OCCLUDED, 0.5),
        ("tube-kink", Kind.TUBE_NARROW, 3.5),
        ("leak-small", Kind.LEAK, 2.5),
        ("leak-never-reached", Kind.TARGET_NOT_REACHED, 30.5),
        ("perfusion", Kind.CIRCULATION, 21.0),
        ("dilution", Kind.CO2_DILUTED, 10.5),
        ("fresh-gas", Kind.FRESH_GAS, 30.5),
        ("rebreathing", Kind.REBREATHING, 41.0),
        ("battery", Kind.BATTERY, 0.5),
        ("clock", Kind.CLOCK, 0.5),
        # By what has become of it, some breaths later.
        ("stiffening-fast", Kind.VOLUME_FALLS, 40.0),
        ("exhalation-blocked", Kind.SUSTAINED_PRESSURE, 20.0),
        ("auto-peep", Kind.AUTO_PEEP, 50.0),
        ("desaturation", Kind.DESATURATION, 61.0),
        ("weaning-apnoea", Kind.APNOEA, 40.0),
        ("co2-frozen", Kind.CO2_SIGNAL, 20.5),
        ("paw-off", Kind.PAW_SIGNAL, 8.5),
        ("spo2-off", Kind.SPO2_SIGNAL, 30.5),
        ("silent", Kind.DATA_SILENT, 12.5),
        ("lost", Kind.DATA_LOST, 6.0),
    ],
)
def test_a_severe_fault_is_due_soon_after_it_began(fault: str, kind: Kind, within_s: float) -> None:
    assert kind in faults.BY_ID[fault].names
    due = [one.due_s for one in _truth(fault).of([kind]) if one.due_s is not None]
    assert due
    assert 60.0 <= min(due) <= 60.0 + within_s


def test_every_fault_has_a_criterion_for_its_name() -> None:
    for fault in faults.FAULTS:
        assert fault.names
        assert any(CRITERIA[kind].due is not None for kind in fault.names)


def test_volume_is_that_of_the_lung() -> None:
    # Half the compliance is about half the volume (single compartment, Bates 2009), and passes
    # 70 %; three quarters do not.
    moderate, mild = (_truth("stiffening-fast", severity=s) for s in ("moderate", "mild"))
    assert any(one.due_s is not None for one in moderate.of([Kind.VOLUME_FALLS]))
    assert all(one.due_s is None for one in mild.of([Kind.VOLUME_FALLS]))
    assert mild.of([Kind.VOLUME_FALLS])


def test_a_mended_fault_is_over() -> None:
    truth = _truth("disconnection", ends_s=90.0)
    (found,) = truth.of([Kind.DISCONNECTED])
    assert found.begins_s == pytest.approx(60.0, abs=0.3)
    assert found.ends_s == pytest.approx(90.0, abs=0.3)
    assert truth.fits([Kind.DISCONNECTED], 95.0) is Kind.DISCONNECTED
    assert truth.fits([Kind.DISCONNECTED], 120.0) is None


def test_a_condition_brings_its_consequences() -> None:
    truth = _truth("disconnection")
    assert truth.fits([Kind.LEAK], 70.0) is Kind.LEAK
    # An apnoea in its own right takes its time.
    assert truth.of([Kind.HYPERCAPNIA]) == [] or truth.of([Kind.HYPERCAPNIA])[0].begins_s > 75.0


def test_an_advisory_before_its_time_is_not_right() -> None:
    truth = Truth((Stretch(Kind.LEAK, 50.0, 80.0, 60.0, None),))
    assert truth.fits([Kind.LEAK], 49.9) is None
    assert truth.fits([Kind.LEAK, Kind.COLD], 50.0) is Kind.LEAK
    assert truth.fits([Kind.COLD], 60.0) is None
    assert truth.fits([Kind.LEAK], 80.0 + CRITERIA[Kind.LEAK].grace_s + 0.1) is None
