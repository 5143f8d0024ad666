"""Rehearsals in which something is as expected, something is not, and names are not harmless."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

from adapters.rehearsal.files import find_scenarios
from adapters.rehearsal.report import Report, Survivor
from adapters.rehearsal.run import Rehearsed, Stage
from adapters.rule_files import DEFAULT_RULES, LoadedRules, load_rules
from rules.coverage import Coverage, Seen
from service.rehearsal.observing import observe
from service.rehearsal.reading import Accepted
from service.rehearsal.scenario import Written

HOSTILE = "<script>alert(1)</script>"

#: Inspiratory time falls to 0.70 of usual from 60 to 120 s; the rule asks for 6 s under 0.75.
STIFF = """\
scenarios:
  - scenario: a chest stiffens
    about: Inspiratory time falls, the pressure stays.
    patient: {species: rabbit, mass: 1.8 kg}
    lasts: 3 min
    facts:
      ti.ratio_to_baseline: 1 for 60 s, 0.7 for 60 s, 1
      settings.mode: controlled
      paw.pip_over_target: 0
      breath.overdue: 0.5
      step.over_baseline: 0
      change.cause: none
      spo2: 98 for 30 s, to 96 over 10 s
    asked:
      - {at: 80 s, acknowledge: volume-falling-silently, by: a nurse}
    expect:
      - rule: volume-falling-silently
        raised: 60 s to 70 s
        priority: medium
        cleared: 125 s to 135 s
    quiet: 10 s to 50 s
"""

#: Five that are not as expected: too early, too short, not under the limit, another mode, not over.
WRONG = """\
scenarios:
  - scenario: expected too early
    patient: {species: rabbit, mass: 1.8 kg}
    lasts: 3 min
    facts:
      ti.ratio_to_baseline: 1 for 60 s, 0.7 for 60 s, 1
      settings.mode: controlled
      paw.pip_over_target: 0
      breath.overdue: 0.5
      step.over_baseline: 0
    expect:
      - {rule: volume-falling-silently, raised: 20 s to 30 s}
  - scenario: too short
    patient: {species: rabbit, mass: 1.8 kg}
    lasts: 3 min
    facts:
      ti.ratio_to_baseline: 1 for 60 s, 0.7 for 4 s, 1
      settings.mode: controlled
      paw.pip_over_target: 0
      breath.overdue: 0.5
      step.over_baseline: 0
    expect:
      - {rule: volume-falling-silently, raised: 60 s to 80 s}
  - scenario: never under the limit
    patient: {species: rabbit, mass: 1.8 kg}
    lasts: 3 min
    facts:
      ti.ratio_to_baseline: 1 for 60 s, 0.76 for 10 s, 1
      settings.mode: controlled
      paw.pip_over_target: 0
      breath.overdue: 0.5
      step.over_baseline: 0
    expect:
      - {rule: volume-falling-silently, raised: 60 s to 80 s}
  - scenario: another mode
    patient: {species: rabbit, mass: 1.8 kg}
    lasts: 3 min
    facts:
      ti.ratio_to_baseline: 1 for 60 s, 0.7
      settings.mode: standby
      paw.pip_over_target: 0
      breath.overdue: 0.5
      step.over_baseline: 0
    expect:
      - {rule: volume-falling-silently, raised: 60 s to 80 s}
  - scenario: not over
    patient: {species: rabbit, mass: 1.8 kg}
    lasts: 3 min
    facts:
      ti.ratio_to_baseline: 1 for 60 s, 0.7
      settings.mode: controlled
      paw.pip_over_target: 0
      breath.overdue: 0.5
      step.over_baseline: 0
    expect:
      - {rule: volume-falling-silently, raised: 60 s to 80 s, cleared: 100 s}
"""

ODD = f"""\
scenarios:
  - scenario: "{HOSTILE} & \\u0007 \\ud800"
    about: "<img src=x onerror=alert(1)> ${{style}} $plotly"
    patient: {{species: rabbit, mass: 1.8 kg}}
    lasts: 2 min
    readings: {{spo2: "98 for 30 s, unknown for 20 s, 97"}}
    others: silent
  - scenario: nobody kept the recording
    patient: {{species: "cat", mass: 3 kg}}
    recording: "night<b>.jsonl.gz"
    never: disconnected
  - scenario: a quiet minute
    patient: {{species: kestrel, mass: 0.2 kg}}
    lasts: 1 min
    happens: nothing
    others: silent
"""

SURVIVORS = (
    Survivor("rate_high", "threshold", "99 /min for 90 (rabbit <b>)"),
    Survivor("airway-blocked", "bond", "does not outrank co2-stopped", "no facts make both hold"),
)

STALE = Accepted("rate_high", "81 /min for 90 (<b>)", "no <i>rat</i>", Written("accepted.yaml", 7))


@lru_cache(maxsize=1)
def rules() -> LoadedRules:
    """The rule set that comes with Tidewarden."""
    return load_rules(DEFAULT_RULES)


def rehearsed(folder: Path, files: dict[str, str]) -> list[Rehearsed]:
    """The scenarios of these files, run."""
    for name, text in files.items():
        (folder / name).write_text(text, "utf-8")
    found = find_scenarios(DEFAULT_RULES, rules(), [folder / name for name in files])
    stage = Stage(rules().rule_set)
    return [stage.rehearse(scenario, found.folder(scenario)) for scenario in found.scenarios]


def report(folder: Path, files: dict[str, str]) -> Report:
    """The report of these files' scenarios, without coverage and small changes."""
    return Report(rules().rule_set, rehearsed(folder, files))


def covered(written: Report) -> Coverage:
    """What was seen of the rule that the scenarios are about; of all others everything."""
    stage, coverage = Stage(rules().rule_set), Coverage()
    for one in written.rehearsed:
        if one.ran is not None:
            coverage.add(observe(one.ran, stage.judge))
    for rule, condition, number in coverage.clauses:
        if rule != "volume-falling-silently":
            coverage.clauses[rule, condition, number] = Seen(1, 1, 1)
    return coverage


def whole_report(folder: Path) -> Report:
    """A report in which everything is that one can hold."""
    written = report(folder, {"stiff.yaml": STIFF, "wrong.yaml": WRONG, "odd.yaml": ODD})
    return replace(
        written,
        coverage=covered(written),
        survivors=SURVIVORS,
        changes={"threshold": 766, "bond": 348},
        stale=[STALE],
        took_s=2.5,
        each_took_s={"a chest stiffens": 0.25},
    )
