"""What the team changes is no change of the patient; what somebody changes unseen is not hidden.

With another flow slope and step are what they were times the factor, and target and expiratory
time move neither (constant flow into one lung; Bates, Lung Mechanics, 2009).
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from change_bench import ANIMALS, BY_NAME, Animal, Bench, Told, first, wrong

WHOLE = [pytest.param(animal, id=animal.name) for animal in ANIMALS]


def _flow(factor: float) -> Callable[[Bench], None]:
    return lambda bench: bench.turn(
        fresh_gas_flow_ml_per_min=60.0 * bench.animal.flow_ml_per_s * factor
    )


def _target(by: float) -> Callable[[Bench], None]:
    return lambda bench: bench.turn(pip_target_cmh2o=bench.animal.target + by)


def _te(factor: float) -> Callable[[Bench], None]:
    return lambda bench: bench.turn(te_set_s=bench.animal.te_s * factor)


TURNS = {
    "flow-up": _flow(1.5),
    "flow-down": _flow(0.6),
    "target-up": _target(3.0),
    "target-down": _target(-3.0),
    "slower": _te(2.0),
    "faster": _te(0.5),
}


def _told_after(animal: Animal, *turns: Callable[[Bench], None], breaths: int = 14) -> Bench:
    """Settled; then all of these at once."""
    bench = Bench(animal, seed=3)
    bench.settle()
    bench.mark()
    for turn in turns:
        turn(bench)
    bench.run(breaths * (bench.machine.settings.te_set_s + animal.ti_s))
    return bench


@pytest.mark.parametrize("turn", TURNS.values(), ids=TURNS.keys())
@pytest.mark.parametrize("animal", WHOLE)
def test_settings_changed_with_their_message(animal: Animal, turn: Callable[[Bench], None]) -> None:
    causes = [t.cause for t in _told_after(animal, turn).told]
    assert set(causes) <= {"none", None}
    assert causes[-1] == "none"
    # Between the settings of before and of now nothing is known for a few breaths at most.
    assert causes.count(None) <= 0.25 * len(causes)


@pytest.mark.parametrize("turn", TURNS.values(), ids=TURNS.keys())
@pytest.mark.parametrize("animal", WHOLE)
def test_chest_that_stiffens_as_settings_change(
    animal: Animal, turn: Callable[[Bench], None]
) -> None:
    bench = _told_after(animal, turn, lambda b: b.fault(compliance=0.5))
    told = first(bench.told, "compliance-down")
    assert told is not None
    assert told.breaths <= 8
    assert not wrong(bench.told, "compliance-down")
    assert bench.told[-1].factor == pytest.approx(0.5, rel=0.2)


@pytest.mark.parametrize("turn", ["flow-up", "target-up", "slower"])
@pytest.mark.parametrize("animal", WHOLE)
def test_tube_that_narrows_after_settings_changed(animal: Animal, turn: str) -> None:
    bench = _told_after(animal, TURNS[turn])
    bench.mark()
    bench.fault(resistance=5.0)
    bench.run(14 * (animal.te_s + animal.ti_s))
    assert first(bench.told, "resistance-up") is not None
    assert not wrong(bench.told, "resistance-up")
    if animal.name != "mouse":
        assert bench.told[-1].factor == pytest.approx(5.0, rel=0.2)


@pytest.mark.parametrize("animal", WHOLE)
def test_message_that_comes_before_the_breaths_of_old_settings(animal: Animal) -> None:
    # Blocks of samples arrive when they are full, so breaths of before come after the message.
    bench = Bench(animal, seed=3)
    bench.settle()
    bench.mark()
    flow = 60.0 * animal.flow_ml_per_s * 1.6
    now = bench.machine.settings.model_copy(update={"fresh_gas_flow_ml_per_min": flow})
    bench.announce(now, in_s=1.0)
    bench.run(1.0)
    bench.machine.change(now)
    bench.run(12 * (animal.te_s + animal.ti_s))
    assert {t.cause for t in bench.told} <= {"none", None}


def _turned_by_hand(animal: Animal, factor: float, seed: int) -> list[Told]:
    """A flowmeter is turned and no message says so."""
    bench = Bench(animal, seed=seed)
    bench.settle()
    bench.mark()
    flow = 60.0 * animal.flow_ml_per_s * factor
    bench.turn(confirmed=False, fresh_gas_flow_ml_per_min=flow)
    bench.run(12 * (animal.te_s + animal.ti_s / min(1.0, factor)))
    return bench.told


@pytest.mark.parametrize("factor", [0.3, 0.5, 0.7, 0.8, 1.25, 1.6, 2.0])
@pytest.mark.parametrize("animal", WHOLE)
def test_flow_turned_by_hand_is_never_surely_something_else(animal: Animal, factor: float) -> None:
    for seed in (1, 2):
        assert not wrong(_turned_by_hand(animal, factor, seed), "flow")


@pytest.mark.parametrize("factor", [0.3, 0.5, 2.0])
@pytest.mark.parametrize("animal", WHOLE[2:])
def test_flow_turned_far_by_hand_is_told(animal: Animal, factor: float) -> None:
    last = _turned_by_hand(animal, factor, seed=1)[-1]
    assert last.cause == "flow"
    assert last.factor == pytest.approx(factor, rel=0.1)


@pytest.mark.parametrize("known", ["circuit_known", "settings_known"])
@pytest.mark.parametrize("animal", WHOLE)
def test_what_the_device_does_not_say_makes_nothing_surely_wrong(
    animal: Animal, known: str
) -> None:
    for fault, cause in (
        ({"compliance": 0.5}, "compliance-down"),
        ({"resistance": 5.0}, "resistance-up"),
        ({"leak": 0.4 * animal.flow_ml_per_s / animal.target}, "leak"),
    ):
        bench = Bench(animal, seed=2, **{known: False})
        bench.settle()
        bench.fault(**fault)
        bench.run(12 * (animal.te_s + animal.ti_s))
        assert not wrong(bench.told, cause)
        assert bench.told[-1].cause == cause


def test_expiratory_time_without_a_message_changes_nothing() -> None:
    bench = Bench(BY_NAME["cat"])
    bench.settle()
    bench.turn(confirmed=False, te_set_s=1.5)
    bench.run(40.0)
    assert {t.cause for t in bench.told[-60:]} == {"none"}


@pytest.mark.parametrize("animal", WHOLE)
def test_another_baseline_pressure_is_learnt_anew(animal: Animal) -> None:
    # Recruitment or overdistension may come with it: no cause, until the usual is learnt again.
    bench = _told_after(animal, lambda b: b.turn(peep_cmh2o=animal.peep + 3.0), breaths=22)
    assert {t.cause for t in bench.told} == {"none", None}
    assert bench.told[-1].cause == "none"


def test_breathing_by_itself_has_no_cause_and_says_why() -> None:
    bench = Bench(BY_NAME["cat"])
    bench.settle()
    bench.turn(mode="spontaneous")
    bench.run(20.0)
    assert bench.told[-1].cause is None
    assert "spontaneous" in bench.facts().unknown["change.cause"]
    bench.turn(mode="controlled")
    bench.run(40.0)
    assert bench.told[-1].cause == "none"
