"""The results of all cases as one plain object, ready for JSON."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict
from typing import Any, Final

from adapters.evaluation import benign, faults
from adapters.evaluation.judge import Episode, Judged
from adapters.evaluation.run import COMPARATORS, SIDES, UNDER_EVALUATION, CaseResult
from adapters.evaluation.species import MASS_BANDS_KG, mass_band
from adapters.evaluation.statistics import (
    Estimate,
    median_interval,
    quantile,
    rate,
    ratio_of_rates,
    share,
)
from adapters.evaluation.truth_kinds import CRITERIA, IMPLIES

SIMULATED: Final = (
    "All patients here are simulated. Figures show how rules behave on a model of patients, "
    "ventilator and monitor, not how they do on animals."
)
_S_PER_H: Final = 3600.0
_LATE: Final = 0.95

Results = Sequence[CaseResult]
Row = dict[str, Any]


def summary_of(results: Results, seed: int) -> Row:
    """Everything that is reported, apart from what rules were used."""
    return {
        "simulated": SIMULATED,
        "seed": seed,
        "cases": len(results),
        "hours": _hours(results),
        "healthy_cases": sum(one.fault is None for one in results),
        "sides": {side: _side(results, side) for side in SIDES},
        "compared": {
            other: _row(
                ratio_of_rates(
                    _false_counts(results, UNDER_EVALUATION), _false_counts(results, other), seed
                )
            )
            for other in COMPARATORS
        },
        "truth": _truth_in_words(),
    }


def _side(results: Results, side: str) -> Row:
    return {
        "overall": performance(results, side),
        "by_fault": _groups(results, side, [fault.id for fault in faults.FAULTS], _fault_of),
        "by_fault_and_severity": _groups(
            results,
            side,
            [f"{fault.id}/{level}" for fault in faults.FAULTS for level in fault.severities],
            lambda one: f"{one.fault}/{one.severity}",
        ),
        "by_class": _groups(results, side, ["mammal", "bird", "reptile"], lambda one: one.class_),
        "by_mass": _groups(
            results, side, [mass_band(low) for low, _ in MASS_BANDS_KG], lambda one: one.band
        ),
        "by_happening": _by_happening(results, side),
        "by_rule": _by_rule(results, side),
    }


def performance(results: Results, side: str) -> Row:
    """Sensitivity, PPV, false advisories and delay on these cases."""
    episodes = [(one, found) for one in results if (found := one.verdicts[side].episode)]
    spoken = [one for result in results for one in result.verdicts[side].advisories]
    false = [one for one in spoken if one.kind is None]
    grave = [found for _, found in episodes if found.grave]
    healthy_s = sum(_healthy_s(one) for one in results)
    early = [one for result in results for one in _before_fault(result, side)]
    return {
        "cases": len(results),
        "hours": _hours(results),
        "episodes": len(episodes),
        "noticed": _share(found.noticed_s for _, found in episodes),
        "named": _share(found.named_s for _, found in episodes),
        "grave": len(grave),
        "grave_urgent": _share(found.urgent_s for found in grave),
        "spoken": len(spoken),
        "predictive_value": _row(share(len(spoken) - len(false), len(spoken))),
        "false": len(false),
        "false_per_hour": _row(rate(len(false), _hours(results))),
        "healthy_hours": healthy_s / _S_PER_H,
        "false_while_healthy": len(early),
        "false_while_healthy_per_hour": _row(rate(len(early), healthy_s / _S_PER_H)),
        **_delays(episodes),
    }


def _delays(episodes: Iterable[tuple[CaseResult, Episode]]) -> Row:
    noticed = [(one, found.delay_s) for one, found in episodes if found.delay_s is not None]
    seconds = [delay_s for _, delay_s in noticed]
    breaths = [delay_s / one.period_s for one, delay_s in noticed]
    return {
        "delay_s": _row(median_interval(seconds)),
        "delay_p95_s": _round(quantile(seconds, _LATE)),
        "delay_breaths": _round(quantile(breaths, 0.5)),
        "delay_p95_breaths": _round(quantile(breaths, _LATE)),
        "delays_s": [round(delay_s, 1) for delay_s in sorted(seconds)],
    }


def _share(times: Iterable[float | None]) -> Row:
    found = list(times)
    return _row(share(sum(one is not None for one in found), len(found)))


def _groups(
    results: Results, side: str, names: Sequence[str], of: Callable[[CaseResult], str]
) -> list[Row]:
    by_name: dict[str, list[CaseResult]] = {name: [] for name in names}
    for one in results:
        by_name.setdefault(of(one), []).append(one)
    return [{"name": name, **performance(by_name[name], side)} for name in names if by_name[name]]


def _fault_of(one: CaseResult) -> str:
    return one.fault or "none"


def _by_happening(results: Results, side: str) -> list[Row]:
    happened = Counter(name for one in results for name, _ in one.happenings)
    provoked = [
        false
        for one in results
        for false in one.verdicts[side].false
        if false.provoked_by is not None and false.during is None
    ]
    rows = []
    for kind in benign.HAPPENINGS:
        rules = Counter(false.rule for false in provoked if false.provoked_by == kind.id)
        if happened[kind.id]:
            count = sum(rules.values())
            rows.append(
                {
                    "name": kind.id,
                    "title": kind.title,
                    "happened": happened[kind.id],
                    "false": count,
                    "false_per_happening": _row(rate(count, float(happened[kind.id]))),
                    "rules": dict(rules.most_common()),
                }
            )
    return rows


def _by_rule(results: Results, side: str) -> list[Row]:
    spoken: dict[str, list[Judged]] = {}
    for result in results:
        for one in result.verdicts[side].advisories:
            spoken.setdefault(one.rule, []).append(one)
    rows = []
    for rule, found in sorted(spoken.items()):
        false = [one for one in found if one.kind is None]
        rows.append(
            {
                "name": rule,
                "spoken": len(found),
                "false": len(false),
                "predictive_value": _row(share(len(found) - len(false), len(found))),
                "false_after": dict(Counter(map(_why_false, false)).most_common()),
            }
        )
    return sorted(rows, key=lambda row: (-row["false"], row["name"]))


def _why_false(one: Judged) -> str:
    if one.during is not None:
        return f"fault: {one.during}"
    return one.provoked_by or "nothing near"


def _truth_in_words() -> list[Row]:
    return [
        {
            "kind": kind.value,
            "measure": criterion.measure,
            "exists": criterion.exists,
            "due": criterion.due,
            "grave": criterion.grave,
            "worse": "lower" if criterion.falling else "higher",
            "grace_s": criterion.grace_s,
            "implies": sorted(IMPLIES.get(kind, ())),
        }
        for kind, criterion in CRITERIA.items()
    ]


def _hours(results: Results) -> float:
    return sum(one.lasts_s for one in results) / _S_PER_H


def _healthy_s(one: CaseResult) -> float:
    return one.lasts_s if one.begins_s is None else one.begins_s


def _before_fault(one: CaseResult, side: str) -> list[Judged]:
    return [false for false in one.verdicts[side].false if false.during is None]


def _false_counts(results: Results, side: str) -> list[int]:
    return [len(one.verdicts[side].false) for one in results]


def _row(estimate: Estimate) -> Row:
    return {key: _round(value) for key, value in asdict(estimate).items()}


def _round(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.6g}")
