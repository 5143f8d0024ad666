"""What two rule sets make of the same scenarios: what is new, gone, earlier, later."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from adapters.bar import Bar
from adapters.rehearsal.files import Found, find_scenarios
from adapters.rehearsal.releases import Chosen
from adapters.rehearsal.run import Rehearsed, Stage
from adapters.rule_behaviour import Behaviour, replaced
from adapters.rule_files import RuleFilesError
from service.episodes import episodes, paired
from service.outbound import event_body

_S_PER_H: Final = 3600.0


def scenario_behaviour(where: str, before: Chosen, after: Chosen, bar: Bar) -> Behaviour:
    """Every scenario of `where` (one of the two, a file or a folder) through both rule sets.

    Each stands for a place, under the name of its file. RuleFilesError or ScenarioError say what
    is wrong.
    """
    found = _found(where, before, after)
    sets = before.rules.rule_set, after.rules.rule_set
    stages = Stage(sets[0]), Stage(sets[1])
    only_one = replaced(sets[:1], sets[1])
    pairings, lasted_s = [], 0.0
    with bar(len(found.scenarios)) as each:
        for scenario in found.scenarios:
            one, other = (stage.rehearse(scenario, found.folder(scenario)) for stage in stages)
            said = episodes(_bodies(one, stages[0]))
            pairings += paired(said, episodes(_bodies(other, stages[1])), only_one)
            lasted_s += one.lasts_s
            each()
    return Behaviour(tuple(pairings), lasted_s / _S_PER_H)


def _found(where: str, before: Chosen, after: Chosen) -> Found:
    """What they expect is of no matter here, so rules of either side may be named."""
    rules = max((before.rules, after.rules), key=lambda one: len(one.rule_set.rules))
    named = next((one for one in (before, after) if one.answers_to(where)), None)
    if named is not None:
        return find_scenarios(named.spec, rules, named.paths())
    path = Path(where)
    if not path.exists():
        raise RuleFilesError(f"--scenarios {where}: neither A nor B, and no such file or folder")
    return find_scenarios(where, rules, (path,))


def _bodies(one: Rehearsed, stage: Stage) -> Iterator[dict[str, Any]]:
    place = f"{one.scenario.where.file.removesuffix('.yaml')}/{one.scenario.name}"
    for event in () if one.ran is None else one.ran.events:
        yield event_body(place, event, stage.judge.rule_set)
