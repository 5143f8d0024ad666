"""What is usual is learnt from breaths that agree, once, and forgotten when the team acts."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from service_bench import PLACE, Bed, quantity
from wave_shapes import Ventilation

from service.baseline import LEARNING_BREATHS, SETTLING_BREATHS, Baseline


def fed(*values: float | None, others: dict[str, float | None] | None = None) -> Baseline:
    """A baseline that has taken these values of its guide."""
    baseline = Baseline(guide="ti")
    for value in values:
        baseline.add({"ti": value, **(others or {})})
    return baseline


def test_learnt_from_five_breaths_that_agree_after_one_is_passed_over() -> None:
    assert (SETTLING_BREATHS, LEARNING_BREATHS) == (1, 5)
    assert not fed(9.0, 0.60, 0.61, 0.59, 0.60).learnt
    assert fed(9.0, 0.60, 0.61, 0.59, 0.60, 0.62).learnt == {"ti": 0.60}


def test_not_learnt_while_breaths_disagree() -> None:
    unsteady = [0.6, 0.9, 0.5, 0.8, 0.4] * 4
    assert not fed(*unsteady).learnt
    assert fed(*unsteady, 0.7, 0.7, 0.7, 0.7, 0.7).learnt == {"ti": 0.7}


def test_once_learnt_it_stays() -> None:
    # Otherwise a lung that slowly stiffens would become what is usual.
    baseline = fed(*[0.6] * 6)
    for step in range(200):
        baseline.add({"ti": 0.6 - 0.002 * step})
    assert baseline.learnt == {"ti": 0.6}


def test_forgotten_and_learnt_again() -> None:
    baseline = fed(*[0.6] * 6)
    baseline.reset()
    assert baseline.learnt == {}
    for _ in range(SETTLING_BREATHS + LEARNING_BREATHS):
        baseline.add({"ti": 0.8})
    assert baseline.learnt == {"ti": 0.8}


def test_breaths_without_the_guide_count_for_nothing() -> None:
    assert not fed(*[None] * 50).learnt
    assert fed(0.6, None, 0.6, None, 0.6, 0.6, None, 0.6, 0.6).learnt == {"ti": 0.6}


def test_other_values_are_learnt_where_every_breath_had_them() -> None:
    baseline = Baseline(guide="ti")
    for number in range(6):
        step = None if number == 3 else 0.5
        baseline.add({"ti": 0.6, "volume": 4.0 + 0.1 * number, "step": step})
    assert baseline.learnt == {"ti": 0.6, "volume": pytest.approx(4.3)}


@given(st.lists(st.floats(0.05, 10.0), min_size=6, max_size=60))
def test_what_is_learnt_lies_among_the_breaths_it_was_learnt_from(values: list[float]) -> None:
    learnt = fed(*values).learnt
    if learnt:
        assert min(values[1:]) <= learnt["ti"] <= max(values[1:])


def _ventilated(bed: Bed, begin_s: float, seconds: float, ti_s: float = 0.6) -> float:
    """Sends pressure in blocks of half a second; returns when it ends."""
    samples = Ventilation(ti_s, 1.4).samples(int(seconds / (ti_s + 1.4)), rate_hz=50)
    for at in range(0, len(samples) - 24, 25):
        block = [round(p, 2) for _, p in samples[at : at + 25]]
        begin_s += 0.5
        bed.send("waveform", begin_s, at_s=begin_s - 0.5, samples=block)
    return begin_s


def _learnt_ti(bed: Bed) -> float | None:
    return bed.bedside.pressure_baseline.learnt.get("ti")


@pytest.mark.parametrize(
    "change",
    [
        {"pip_target": quantity(14.0, "cm[H2O]")},
        {"te_set": quantity(3.0, "s")},
        {"fresh_gas_flow": quantity(900.0, "mL/min")},
        {"peep_set": quantity(3.0, "cm[H2O]")},
        {"mode": "spontaneous"},
    ],
)
def test_a_change_of_settings_starts_the_learning_again(change: dict[str, object]) -> None:
    bed = Bed()
    bed.send("settings", 0.0)
    now_s = _ventilated(bed, 0.0, 20.0)
    assert _learnt_ti(bed) == pytest.approx(0.6, abs=0.041)
    bed.send("settings", now_s, **change)
    assert _learnt_ti(bed) is None
    _ventilated(bed, now_s, 20.0, ti_s=0.8)
    assert _learnt_ti(bed) == pytest.approx(0.8, abs=0.041)


def test_the_same_settings_again_change_nothing() -> None:
    bed = Bed()
    bed.send("settings", 0.0)
    now_s = _ventilated(bed, 0.0, 20.0)
    learnt = _learnt_ti(bed)
    bed.send("settings", now_s)
    bed.send("settings", now_s + 1.0, mode="controlled", pip_target=None)
    assert learnt is not None
    assert _learnt_ti(bed) == learnt


def test_another_patient_is_not_measured_by_the_last_one() -> None:
    bed = Bed()
    bed.send("patient", 0.0, patient="Skerry")
    now_s = _ventilated(bed, 0.0, 20.0)
    assert _learnt_ti(bed) is not None
    bed.send("patient", now_s, patient="Skerry", phase="weaning")
    assert _learnt_ti(bed) is not None
    bed.send("patient", now_s, patient="Vane")
    assert _learnt_ti(bed) is None
    assert not bed.bedside.inflations
    assert bed.bedside.name == PLACE
