"""Scenarios through a rule set: one at a time, or many in worker processes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from adapters.recordings import RecordingError, read_recording
from adapters.rehearsal.shifting import shifted
from adapters.rehearsal.simulated import simulated_arrivals
from adapters.replay import RUN_OUT_MS
from rules.engine import build_engine
from rules.model import RuleSet
from rules.reading import Problem
from service.intake import Arrival
from service.judge import Judge
from service.rehearsal.given import arrivals_of
from service.rehearsal.looks import START_MS, seconds
from service.rehearsal.reading import ScenarioError
from service.rehearsal.running import Ran, run_facts, run_messages
from service.rehearsal.scenario import Facts, Readings, Recorded, Scenario, Simulated
from service.rehearsal.verdicts import Verdict, verdicts

#: After the last message of a recording the watch goes on for so long (s).
_RUN_OUT_S: Final = RUN_OUT_MS / 1000.0


@dataclass(frozen=True, slots=True)
class Rehearsed:
    """What came of one scenario. Without `ran` it could not be run, and `verdicts` says why."""

    scenario: Scenario
    verdicts: tuple[Verdict, ...]
    ran: Ran | None = None

    @property
    def passed(self) -> bool:
        """Whether everything is as expected."""
        return all(verdict.met for verdict in self.verdicts)

    @property
    def lasts_s(self) -> float:
        """How long it was, in the time of the scenario."""
        if self.ran is None or not self.ran.looks:
            return 0.0
        return self.ran.looks[-1].at_s


class Stage:
    """A rule set made ready for scenarios."""

    def __init__(self, rule_set: RuleSet) -> None:
        self.judge = Judge(rule_set, build_engine(rule_set, "plain"))

    def rehearse(self, scenario: Scenario, folder: Path | None = None) -> Rehearsed:
        """Run one scenario; its recording, if it has one, lies in `folder`."""
        try:
            ran = self._run(scenario, folder)
        except ScenarioError as error:
            words = "; ".join(problem.message for problem in error.problems)
            failed = Verdict("it can be run", False, words, scenario.where)
            return Rehearsed(scenario, (failed,))
        return Rehearsed(scenario, tuple(verdicts(scenario, ran)), ran)

    def _run(self, scenario: Scenario, folder: Path | None) -> Ran:
        timeline = scenario.timeline
        if isinstance(timeline, Facts):
            return run_facts(scenario, timeline, self.judge)
        if isinstance(timeline, Simulated):
            arrivals = simulated_arrivals(scenario, timeline)
        elif isinstance(timeline, Readings):
            arrivals = arrivals_of(scenario, timeline)
        else:
            arrivals = _recorded(scenario, timeline, folder)
            last_s = seconds(arrivals[-1].received_ms) + _RUN_OUT_S
            scenario = replace(scenario, lasts_s=min(scenario.lasts_s, last_s))
        return run_messages(scenario, arrivals, self.judge.rule_set, self.judge.engine)


def _recorded(scenario: Scenario, timeline: Recorded, folder: Path | None) -> list[Arrival]:
    """The arrivals of a recording, moved so that it begins when a scenario does."""
    try:
        arrivals = list(read_recording((folder or Path()) / timeline.file))
    except RecordingError as error:
        raise ScenarioError(
            [Problem(scenario.where.file, scenario.where.line, 1, str(error))]
        ) from None
    if not arrivals:
        words = f"{timeline.file}: nothing is recorded in it"
        raise ScenarioError([Problem(scenario.where.file, scenario.where.line, 1, words)])
    return list(shifted(arrivals, START_MS - arrivals[0].received_ms))
