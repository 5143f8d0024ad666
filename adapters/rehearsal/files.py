"""Where scenarios lie: beside their rule set, or where an author says."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from importlib.resources.abc import Traversable
from pathlib import Path

from adapters.rehearsal.simulated import place_spec
from adapters.rule_files import LoadedRules, RuleFilesError, rules_folder, text_of
from adapters.scenario_files import SCENARIOS
from rules.reading import Problem
from service.rehearsal.reading import ScenarioError, Scenarios, read_scenarios
from service.rehearsal.scenario import Scenario, Simulated


@dataclass(frozen=True, slots=True)
class Found:
    """What scenario files hold, and the folder in which each one's recordings lie."""

    read: Scenarios
    folders: dict[str, Path]
    #: How many speak of rules that the rule set leaves out of its parent: those are not run.
    left_out: int = 0

    @property
    def scenarios(self) -> tuple[Scenario, ...]:
        """All of them, in the order of their files."""
        return self.read.scenarios

    def folder(self, scenario: Scenario) -> Path:
        """Where the recordings of this scenario lie."""
        return self.folders[scenario.where.file]

    def only(self, words: str | None) -> Found:
        """Those that have these words in their name, in whatever case; None: all.

        RuleFilesError when there is none.
        """
        if words is None:
            return self
        wanted = words.casefold()
        chosen = tuple(one for one in self.scenarios if wanted in one.name.casefold())
        if not chosen:
            raise RuleFilesError(f"--only: no scenario has {words!r} in its name")
        return replace(self, read=replace(self.read, scenarios=chosen))


@dataclass(frozen=True, slots=True)
class Texts:
    """Scenario files: text and folder of each, by name.

    Those `beside` a file that was named alone lend it their animals, and no more.
    """

    texts: dict[str, str]
    folders: dict[str, Path]
    beside: set[str]


def find_scenarios(spec: str, rules: LoadedRules, paths: Sequence[Path] = ()) -> Found:
    """The scenarios in `paths`, files or folders; without any those beside the rule set `spec`.

    RuleFilesError or ScenarioError say what is wrong.
    """
    return scenarios_of(scenario_texts(spec, paths), rules)


def scenario_texts(spec: str, paths: Sequence[Path] = ()) -> Texts:
    """The files in which they are written. RuleFilesError says what is wrong."""
    found = Texts({}, {}, set())
    named = _files(spec, paths)
    for file in (*named, *_beside(named)):
        name = file.name if file.name not in found.texts else str(file)
        found.texts[name] = text_of(file)
        found.folders[name] = Path(str(file)).parent
        if file not in named:
            found.beside.add(name)
    return found


def _beside(named: Sequence[Traversable]) -> Iterator[Path]:
    """The other scenario files in the folders of files that were named."""
    for folder in {Path(str(file)).parent for file in named}:
        others = sorted(folder.glob("*.yaml"))
        lend = (file for file in others if "\nanimals:" in f"\n{text_of(file)}")
        yield from (file for file in lend if file not in named)


def scenarios_of(files: Texts, rules: LoadedRules) -> Found:
    """The scenarios that files write. ScenarioError says what is wrong."""
    rule_set = rules.rule_set
    known = [*(rule.id for rule in rule_set.rules), *rule_set.without]
    read = read_scenarios(files.texts, known, files.beside)
    _check_simulated(read.scenarios)
    kept = tuple(one for one in read.scenarios if one.rules.isdisjoint(rule_set.without))
    left_out = len(read.scenarios) - len(kept)
    return Found(replace(read, scenarios=kept), files.folders, left_out)


def _check_simulated(scenarios: Sequence[Scenario]) -> None:
    """What the simulator cannot do is a mistake in the file, found before anything is run."""
    problems: list[Problem] = []
    for scenario in scenarios:
        if isinstance(scenario.timeline, Simulated):
            try:
                place_spec(scenario, scenario.timeline)
            except ScenarioError as error:
                problems += error.problems
    if problems:
        raise ScenarioError(problems)


def _files(spec: str, paths: Sequence[Path]) -> list[Traversable]:
    if not paths:
        folder = rules_folder(spec) / SCENARIOS
        if not folder.is_dir():
            raise RuleFilesError(
                f"{spec} has no scenarios: put them into its folder {SCENARIOS}, or name files"
            )
        return _in_folder(folder)
    found: list[Traversable] = []
    for path in paths:
        if not path.exists():
            raise RuleFilesError(f"{path}: no such file or folder")
        found += _in_folder(path) if path.is_dir() else [path]
    return found


def _in_folder(folder: Traversable) -> list[Traversable]:
    files = [file for file in folder.iterdir() if file.name.endswith(".yaml")]
    if not files:
        raise RuleFilesError(f"{folder}: there is no scenario file (.yaml) in it")
    return sorted(files, key=lambda file: file.name)
