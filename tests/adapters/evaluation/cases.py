"""Cases with one fault and nothing else, for tests."""

from __future__ import annotations

from dataclasses import replace
from random import Random

from adapters.evaluation import faults
from adapters.evaluation.population import Case, FaultInCase, draw_case

#: A case of this seed whose animal breathes neither very fast nor very slowly.
SEED, NUMBER = 3, 13


def quiet_case(lasts_s: float = 200.0) -> Case:
    """An animal to which nothing happens."""
    return replace(draw_case(SEED, NUMBER), fault=None, happenings=(), lasts_s=lasts_s)


def case_with(
    fault: str,
    severity: faults.Severity = "severe",
    begins_s: float = 60.0,
    ends_s: float | None = None,
) -> Case:
    """The same animal with this fault."""
    case = quiet_case()
    draw = faults.Draw(case.animal, severity, begins_s, Random(1))
    plan = faults.BY_ID[fault].plan(draw)
    return replace(case, fault=FaultInCase(fault, severity, begins_s, ends_s, plan))
