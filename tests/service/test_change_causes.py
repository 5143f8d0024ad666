"""The cause of a change against what was done to the lung, tube or circuit.

Directions and sizes follow from one lung behind a resistance and a circuit at constant flow
(Bates, Lung Mechanics, 2009) and from the sign table of a pressure-cycled ventilator: stiffer
chest: time down, step unchanged; narrower tube: step up; leak: time up; occlusion: the target at
once; disconnection: pressure near nothing; blocked exhalation: pressure stays up.
"""

from __future__ import annotations

from typing import Any

import pytest
from change_bench import ANIMALS, BY_NAME, Animal, Bench, Told, first, wrong

WHOLE = [pytest.param(animal, id=animal.name) for animal in ANIMALS]
#: A fault in the middle of an inflation counts that one too; six of a mouse last three seconds.
BREATHS, SECONDS = 4, 5.0


def _leak(animal: Animal, share: float) -> float:
    """The conductance (mL/s per cmH2O) through which that share of the flow leaves at the peak."""
    return share * animal.flow_ml_per_s / animal.target


def _after(animal: Animal, seed: int = 1, breaths: int = 13, **fault: Any) -> Bench:
    bench = Bench(animal, seed=seed)
    bench.settle()
    assert not wrong(bench.told)
    assert bench.told[-1].cause == "none"
    bench.mark()
    bench.fault(**fault)
    bench.run(breaths * (animal.ti_s + animal.te_s))
    return bench


def _grown(animal: Animal, over_s: float, **fault: float) -> Bench:
    """The fault comes on evenly over that time."""
    bench = Bench(animal)
    bench.settle()
    bench.mark()
    healthy = {"compliance": 1.0, "resistance": 1.0, "leak": 0.0}

    def each(share: float) -> None:
        bench.fault(**{n: healthy[n] + share * (v - healthy[n]) for n, v in fault.items()})

    bench.run(over_s, each)
    bench.fault(**fault)
    bench.run(10.0)
    return bench


def _in_time(animal: Animal, told: Told | None) -> bool:
    period_s = animal.ti_s + animal.te_s
    return told is not None and (told.breaths <= BREATHS or told.breaths * period_s < SECONDS)


def _check(bench: Bench, cause: str) -> Told:
    """Told in time, never wrongly, and told still."""
    told, last = first(bench.told, cause), bench.told[-1]
    assert _in_time(bench.animal, told), (told, last)
    assert not wrong(bench.told, cause)
    assert last.is_sure
    assert last.cause == cause
    assert told is not None
    begun_s = bench.mark_ms / 1000.0
    assert last.lasts_s is not None
    assert told.at_s - begun_s > 0.0
    # Since the first breath that showed it.
    assert last.at_s - last.lasts_s == pytest.approx(begun_s, abs=told.at_s - begun_s)
    return last


@pytest.mark.parametrize("factor", [0.6, 0.4])
@pytest.mark.parametrize("animal", WHOLE)
def test_stiffer_chest(animal: Animal, factor: float) -> None:
    last = _check(_after(animal, compliance=factor), "compliance-down")
    assert last.factor == pytest.approx(factor, rel=0.2)


@pytest.mark.parametrize("animal", WHOLE)
def test_slightly_stiffer_chest(animal: Animal) -> None:
    # A flow that somebody turned up looks much the same, so this is not sure; but nothing else is.
    bench = _after(animal, compliance=0.8)
    last = bench.told[-1]
    assert not wrong(bench.told, "compliance-down")
    assert (last.cause, last.second) == ("compliance-down", "flow")
    assert last.factor == pytest.approx(0.8, rel=0.08)


@pytest.mark.parametrize("animal", WHOLE)
def test_one_main_bronchus(animal: Animal) -> None:
    # Half the lung through a narrower way (sign table: as a stiffer chest).
    last = _check(_after(animal, compliance=0.5, resistance=1.3), "compliance-down")
    assert last.factor == pytest.approx(0.5, rel=0.2)


@pytest.mark.parametrize("animal", WHOLE)
def test_chest_that_stiffens_over_a_minute(animal: Animal) -> None:
    bench = _grown(animal, 60.0, compliance=0.5)
    told = first(bench.told, "compliance-down")
    # At 24 s compliance is 0.8 of the usual.
    assert told is not None
    assert told.at_s - bench.mark_ms / 1000.0 < 30.0
    assert not wrong(bench.told, "compliance-down")
    assert bench.told[-1].factor == pytest.approx(0.5, rel=0.2)


@pytest.mark.parametrize("factor", [2.0, 4.0, 6.0])
@pytest.mark.parametrize("animal", WHOLE[1:])
def test_narrower_tube(animal: Animal, factor: float) -> None:
    last = _check(_after(animal, resistance=factor), "resistance-up")
    assert last.factor == pytest.approx(factor, rel=0.2)


@pytest.mark.parametrize("factor", [4.0, 6.0])
def test_narrower_tube_of_a_mouse(factor: float) -> None:
    # Its step is 0.5 cmH2O with a noise of 0.07: the cause is plain, its size less so.
    last = _check(_after(BY_NAME["mouse"], resistance=factor), "resistance-up")
    assert last.factor == pytest.approx(factor, rel=0.3)


@pytest.mark.parametrize("share", [0.3, 0.5])
@pytest.mark.parametrize("animal", WHOLE)
def test_leak(animal: Animal, share: float) -> None:
    last = _check(_after(animal, leak=_leak(animal, share)), "leak")
    assert last.factor == pytest.approx(share, rel=0.2)


@pytest.mark.parametrize("animal", WHOLE)
def test_small_leak_is_not_told_as_anything_else(animal: Animal) -> None:
    for seed in (1, 2):
        assert not wrong(_after(animal, seed, leak=_leak(animal, 0.15)).told, "leak")


@pytest.mark.parametrize("animal", WHOLE)
def test_leak_that_grows_until_nothing_cycles(animal: Animal) -> None:
    # If Q/G is under the target the breath never cycles (mass balance; Bates, 2009).
    bench = _grown(animal, 60.0, leak=_leak(animal, 1.4))
    told = first(bench.told, "leak")
    assert told is not None
    # At 21 s half of the gas is lost at the peak.
    assert told.at_s - bench.mark_ms / 1000.0 < 25.0
    assert not wrong(bench.told, "leak")
    last = bench.told[-1]
    assert (last.cause, last.factor) == ("leak", None)
    assert last.lasts_s is not None
    # It is the leak that was told before it took all.
    assert last.lasts_s > 40.0


@pytest.mark.parametrize("animal", WHOLE)
def test_leak_that_never_cycles(animal: Animal) -> None:
    bench = _after(animal, leak=_leak(animal, 1.2))
    told = first(bench.told, "leak")
    assert told is not None
    assert told.at_s - bench.mark_ms / 1000.0 < max(4.5, 4.0 * animal.ti_s + animal.te_s)
    assert not wrong(bench.told, "leak")


@pytest.mark.parametrize("animal", WHOLE)
def test_occluded_tube(animal: Animal) -> None:
    bench = _after(animal, occluded=True)
    told = first(bench.told, "occlusion")
    assert told is not None
    # The first spikes are held for artefacts until one comes when a breath is due.
    assert told.breaths <= 6
    assert not wrong(bench.told, "occlusion", "resistance-up")
    assert (bench.told[-1].cause, bench.told[-1].factor) == ("occlusion", None)


@pytest.mark.parametrize("animal", WHOLE)
def test_disconnected_circuit(animal: Animal) -> None:
    bench = _after(animal, disconnected=True)
    told = first(bench.told, "disconnection")
    assert told is not None
    # Nothing of before is left in the window of 5 s, and a breath is half a period overdue.
    period_s = animal.ti_s + animal.te_s
    assert told.at_s - bench.mark_ms / 1000.0 < max(5.5, 2.5 * period_s)
    assert not wrong(bench.told, "disconnection")


@pytest.mark.parametrize("animal", WHOLE)
def test_blocked_exhalation(animal: Animal) -> None:
    bench = _after(animal, exhalation_blocked=True)
    told = first(bench.told, "exhalation-blocked")
    assert told is not None
    assert told.at_s - bench.mark_ms / 1000.0 < 3.0 * animal.ti_s + 3.0
    assert not wrong(bench.told, "exhalation-blocked")


@pytest.mark.parametrize(
    ("cause", "fault"),
    [
        ("compliance-down", {"compliance": 0.5}),
        ("resistance-up", {"resistance": 5.0}),
        ("leak", {"leak": 0.4}),
        ("leak", {"leak": 1.3}),
        ("disconnection", {"disconnected": True}),
        ("occlusion", {"occluded": True}),
        ("exhalation-blocked", {"exhalation_blocked": True}),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
@pytest.mark.parametrize("animal", WHOLE[1:])
def test_recovery(animal: Animal, cause: str, fault: dict[str, float]) -> None:
    bench = Bench(animal, seed=3)
    bench.settle()
    if "leak" in fault:
        fault = {"leak": _leak(animal, fault["leak"])}
    bench.fault(**fault)
    bench.run(20.0)
    assert bench.told[-1].cause == cause
    bench.mark()
    healed = {name: 0.0 if name == "leak" else False for name in fault}
    bench.fault(**{**healed, "compliance": 1.0, "resistance": 1.0})
    bench.run(12.0 + 6.0 * (animal.ti_s + animal.te_s))
    assert not wrong(bench.told, cause)
    last = bench.told[-1]
    assert (last.cause, last.factor, last.lasts_s) == ("none", None, None)
    # Three breaths in a row see nothing of it any more.
    late = [t for t in bench.told if t.is_sure and t.breaths > 5]
    assert not late
