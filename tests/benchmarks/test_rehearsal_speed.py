"""How much a rehearsal costs beside the simulation that it needs anyway, in the same run."""

from __future__ import annotations

import time
from collections.abc import Callable

import pytest

from adapters.rehearsal.run import Stage
from adapters.rehearsal.simulated import simulated_arrivals
from adapters.rule_files import DEFAULT_RULES, load_rules
from service.rehearsal.reading import read_scenarios
from service.rehearsal.running import run_looks
from service.rehearsal.scenario import Simulated

pytestmark = pytest.mark.alone

FIVE_MINUTES = """\
scenarios:
  - scenario: five minutes
    patient: {species: rabbit, mass: 1.8 kg}
    lasts: 5 min
    happens: [the tube narrows to 6 times its resistance at 60 s over 5 s]
    never: disconnected
"""
#: A whole rehearsal against the bare simulation (measured 2.0 on a busy machine), and judging again
#: what was seen once against a whole rehearsal (measured 0.10).
WHOLE_OVER_SIMULATION = 4.0
AGAIN_OVER_WHOLE = 0.25


def seconds(what: Callable[[], object]) -> float:
    """The quickest of three."""
    taken = []
    for _ in range(3):
        began = time.perf_counter()
        what()
        taken.append(time.perf_counter() - began)
    return min(taken)


def test_a_rehearsal_costs_little_more_than_its_simulation() -> None:
    rules = load_rules(DEFAULT_RULES).rule_set
    (one,) = read_scenarios({"a.yaml": FIVE_MINUTES}, [rule.id for rule in rules.rules]).scenarios
    timeline = one.timeline
    assert isinstance(timeline, Simulated)
    stage = Stage(rules)
    ran = stage.rehearse(one).ran
    assert ran is not None
    simulation_s = seconds(lambda: simulated_arrivals(one, timeline))
    whole_s = seconds(lambda: stage.rehearse(one))
    again_s = seconds(lambda: run_looks(ran.looks, stage.judge))
    print(
        f"simulation {300 / simulation_s:.0f}, rehearsal {300 / whole_s:.0f}, judged again "
        f"{300 / again_s:.0f} times as fast as the animal lives"
    )
    assert whole_s / simulation_s < WHOLE_OVER_SIMULATION
    assert again_s / whole_s < AGAIN_OVER_WHOLE
