"""Scores of the breath finder over the grid of simulated signals, one case at a time.

Cases are independent, so they run in as many processes as there are cores.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from random import Random
from typing import TypeVar

from signal_grid import Case, Change, Signal, case, signal

from adapters.simulator.truth import TrueBreath
from service.known import SettingsInfo
from service.lung import CIRCUIT_SHARE_SD, FLOW_SHARE_SD, lung_of
from service.physiology import mechanics
from service.signals.breaths import BreathFinder, Inflation
from service.signals.changes import ChangeWatch

#: Truth is looked at after the finder has learnt the resting pressure, and before the end.
FROM_S, BEFORE_END_S = 3.5, 1.3
T = TypeVar("T")
R = TypeVar("R")


def in_processes(function: Callable[[T], R], items: Iterable[T]) -> list[R]:
    """Apply `function` to every item, on all cores; results in order."""
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        return list(pool.map(function, items, chunksize=8))


@dataclass
class CaseScore:
    """What was found of one case against its truth.

    Errors are (found - true): Ti in samples, PIP in cmH2O; `rise_cmh2o` is how far pressure rises
    from one sample to the next. `volumes` says for each breath whether the true lung volume lay in
    the stated interval, under or over it.
    """

    case: Case
    true: int = 0
    missed: int = 0
    false: int = 0
    ti_samples: list[float] = field(default_factory=list)
    pip_cmh2o: list[float] = field(default_factory=list)
    volumes: list[str] = field(default_factory=list)

    @property
    def rise_cmh2o(self) -> float:
        case = self.case
        return (case.pip_cmh2o - case.peep_cmh2o) / case.expected_ti_s / case.rate_hz


def score_case(number: int) -> CaseScore:
    """Simulate a case, find its breaths, hold them against the truth."""
    seen = signal(case(number))
    found = BreathFinder().feed(seen.samples, "d:e:1").inflations
    settings = _settings_with_errors(seen.case)
    score = CaseScore(seen.case)
    taken: set[int] = set()
    for breath in seen.truth(FROM_S, BEFORE_END_S):
        score.true += 1
        at = _match(breath, found, taken)
        if at is None:
            score.missed += 1
            continue
        taken.add(at)
        _compare(score, breath, found[at], settings)
    score.false = sum(
        1
        for at, inflation in enumerate(found)
        if at not in taken
        and inflation.start_s > FROM_S
        and not any(_overlap(b, inflation) > 0.3 for b in seen.breaths)
    )
    return score


def _match(breath: TrueBreath, found: list[Inflation], taken: set[int]) -> int | None:
    matches = (
        at
        for at, inflation in enumerate(found)
        if at not in taken and _overlap(breath, inflation) > 0.5
    )
    return next(matches, None)


def _overlap(breath: TrueBreath, inflation: Inflation) -> float:
    """Time both have in common over the longer of the two."""
    start_s = breath.start_ms / 1000.0
    common = min(start_s + breath.ti_s, inflation.start_s + inflation.ti_s) - max(
        start_s, inflation.start_s
    )
    return common / max(breath.ti_s, inflation.ti_s)


def _compare(
    score: CaseScore, breath: TrueBreath, inflation: Inflation, settings: SettingsInfo
) -> None:
    case = score.case
    end_s = breath.start_ms / 1000.0 + breath.ti_s
    shown = breath.pip_cmh2o + case.offset_cmh2o + case.drift_cmh2o_per_min * end_s / 60.0
    score.ti_samples.append((inflation.ti_s - breath.ti_s) * case.rate_hz)
    score.pip_cmh2o.append(inflation.pip_cmh2o - shown)
    lung = lung_of(inflation, settings)
    assert lung is not None
    volume = lung.tidal_ml
    under = breath.lung_volume_ml < volume.low
    over = breath.lung_volume_ml > volume.high
    score.volumes.append("under" if under else "over" if over else "within")


def _settings_with_errors(case: Case) -> SettingsInfo:
    """What flowmeter and circuit are set to, off by the errors they are said to have."""
    chance = Random(f"settings/{case.number}")
    flow = 60.0 * case.flow_ml_per_s * chance.lognormvariate(0.0, FLOW_SHARE_SD)
    circuit = case.circuit_ml_per_cmh2o * chance.lognormvariate(0.0, CIRCUIT_SHARE_SD)
    return SettingsInfo(mode="controlled", fresh_gas_flow=flow, circuit_compliance=circuit)


# -- changes --------------------------------------------------------------------------------------

FAULTS = ("compliance", "resistance", "leak", "occlusion", "flow", "target", "te", "none")
#: What has to be told of each: settings changed by the team are no change of the patient.
EXPECTED = {
    "compliance": "compliance-down",
    "resistance": "resistance-up",
    "leak": "leak",
    "occlusion": "occlusion",
}


@dataclass
class ChangeScore:
    """What was told after a change: the cause, how sure; were flow and circuit known?"""

    fault: str
    case: Case
    expected: str
    cause: str
    confidence: float
    known: bool


def score_change(number: int) -> list[ChangeScore]:
    """One case with one fault, judged with and without knowing flow and circuit."""
    told = change_of(number)
    if told is None:
        return []
    fault, change, lasts_s = told
    one = case(number)
    seen = signal(one, (change,), change.at_s + lasts_s)
    found = BreathFinder().feed(seen.samples, "d:e:1").inflations
    return [_judged(fault, change, seen, found, known) for known in (False, True)]


def change_of(number: int) -> tuple[str, Change, float] | None:
    """The fault of that case, the change it is, and how long to look; None if it has no effect."""
    one, chance = case(number), Random(f"change/{number}")
    fault = FAULTS[number % len(FAULTS)]
    at_s = FROM_S + 8.3 * (one.expected_ti_s + one.te_s)
    for _ in range(200):
        change = _drawn(fault, one, at_s, chance)
        ratio = _ti_ratio(one, change)
        if fault == "leak" and not 1.15 <= ratio < 4.0:
            continue
        if fault in ("compliance", "resistance") and not 0.3 < ratio < 0.87:
            continue
        period_s = one.expected_ti_s * ratio + (change.te_s or one.te_s)
        return fault, change, 7.5 * period_s + 1.5
    return None


def _drawn(fault: str, one: Case, at_s: float, chance: Random) -> Change:
    height = one.pip_cmh2o - one.peep_cmh2o
    leak = chance.uniform(0.1, 0.9) * one.flow_ml_per_s / one.pip_cmh2o
    drawn = {
        "compliance": Change(at_s, compliance=chance.uniform(0.35, 0.8)),
        "resistance": Change(at_s, resistance=chance.uniform(1.5, 8.0)),
        "leak": Change(at_s, leak_ml_per_s_per_cmh2o=leak),
        "occlusion": Change(at_s, occluded=True),
        "flow": Change(at_s, flow_factor=chance.choice((0.6, 0.75, 1.3, 1.6))),
        "target": Change(at_s, pip_cmh2o=one.pip_cmh2o + chance.choice((-0.25, 0.3)) * height),
        "te": Change(at_s, te_s=one.te_s * chance.choice((0.7, 1.5))),
    }
    return drawn.get(fault, Change(at_s))


def _ti_ratio(one: Case, change: Change) -> float:
    """Ti after the change over that before it, by the closed form."""

    def ti_s(
        compliance: float, resistance: float, leak: float, flow: float, pip_cmh2o: float
    ) -> float:
        return mechanics.inflation_time_s(
            mechanics.Lung(
                one.compliance_ml_per_cmh2o * compliance,
                one.resistance_cmh2o_s_per_l * resistance,
            ),
            mechanics.Inflation(
                one.flow_ml_per_s * flow,
                pip_cmh2o,
                one.peep_cmh2o,
                one.circuit_ml_per_cmh2o,
                leak,
            ),
        )

    after = ti_s(
        change.compliance,
        change.resistance,
        change.leak_ml_per_s_per_cmh2o,
        change.flow_factor,
        change.pip_cmh2o or one.pip_cmh2o,
    )
    return after / ti_s(1.0, 1.0, 0.0, 1.0, one.pip_cmh2o)


def _judged(
    fault: str, change: Change, seen: Signal, found: list[Inflation], known: bool
) -> ChangeScore:
    one, watch, told = seen.case, ChangeWatch(), False
    for inflation in found:
        if not told and inflation.start_s + inflation.ti_s > change.at_s:
            told = True
            if fault in ("flow", "target", "te"):
                watch.settings_changed(change.flow_factor)
        flow = one.flow_ml_per_s * (change.flow_factor if told else 1.0)
        circuit = one.circuit_ml_per_cmh2o
        watch.add(inflation, flow if known else None, circuit if known else None)
    verdict = watch.change
    cause = "no baseline" if verdict is None else verdict.cause
    confidence = 0.0 if verdict is None else verdict.confidence
    return ChangeScore(fault, one, EXPECTED.get(fault, "none"), cause, confidence, known)
