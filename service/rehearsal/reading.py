"""Reading scenario files, with every problem found at its line and column.

A file holds `scenarios`; `animals`: healthy ones that scenarios of all files begin with, by name;
`accepted`: small changes of the rules that no scenario has to notice, with the reason. The caller
hands in names and texts.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

from ruamel.yaml.nodes import Node

from rules.quantities import quantity_in
from rules.reading import Problem, Reader, RuleSetError
from rules.vocabulary import CLASSES, PHASES
from rules.vocabulary.species import class_of
from service.rehearsal.reading_expected import read_expected, read_never, read_windows
from service.rehearsal.reading_requests import read_requests
from service.rehearsal.reading_timeline import TIMELINES, read_facts, read_timeline
from service.rehearsal.scenario import LONGEST_S, TOLERANCE_S, Animal, Facts, Scenario, Written
from service.rehearsal.series import Series
from service.rehearsal.times import Window, read_time

_SCENARIO_KEYS: Final = (
    "about", "animal", "patient", "lasts", "asked", "expect", "never", "quiet", "others",
    "tolerance", "simulate", *TIMELINES,
)  # fmt: skip
_FILE_KEYS: Final = ("animals", "scenarios", "accepted")
_PATIENT_KEYS: Final = ("species", "class", "mass", "phase")
_SHORTEST_S: Final = 1.0


class ScenarioError(RuleSetError):
    """Scenarios that cannot be used; `problems` lists everything found, in order."""


@dataclass(frozen=True, slots=True)
class Accepted:
    """A small change that no scenario has to notice: of which rule or limit, and why not."""

    of: str
    change: str
    because: str
    where: Written


@dataclass(frozen=True, slots=True)
class Scenarios:
    """What scenario files hold. `animals` are the facts of each healthy animal, by its name."""

    scenarios: tuple[Scenario, ...]
    animals: Mapping[str, Mapping[str, Series]]
    accepted: tuple[Accepted, ...] = ()


@dataclass(slots=True)
class _Partial:
    """A patient as far as it is given."""

    species: str | None = None
    class_: str | None = None
    mass_kg: float | None = None
    phase: str | None = None

    def over(self, other: _Partial) -> _Partial:
        """This one's values where it has some, else the other's; a new species brings its own."""
        if self.species is not None:
            other = replace(other, class_=None, mass_kg=None)
        return _Partial(
            self.species or other.species,
            self.class_ or other.class_,
            self.mass_kg if self.mass_kg is not None else other.mass_kg,
            self.phase or other.phase,
        )


@dataclass(slots=True)
class _Kept:
    """An animal that scenarios begin with."""

    patient: _Partial = field(default_factory=_Partial)
    facts: Mapping[str, Series] = field(default_factory=dict)


def read_scenarios(
    files: Mapping[str, str], rules: Collection[str], beside: Collection[str] = ()
) -> Scenarios:
    """What these files (name to text) write, in order.

    `rules` are the rules that may be named; of the files `beside` only the animals are taken.
    ScenarioError lists every problem.
    """
    problems: list[Problem] = []
    animals: dict[str, _Kept] = {}
    accepted: list[Accepted] = []
    waiting: list[tuple[Reader, Node]] = []
    for name, text in files.items():
        reader = Reader(name, problems)
        keys = _file_keys(text, reader)
        if "animals" in keys:
            _read_animals(keys["animals"], reader, animals)
        if name in beside:
            continue
        if "accepted" in keys:
            accepted += _read_accepted(keys["accepted"], reader)
        if "scenarios" in keys:
            items = reader.items(keys["scenarios"], "scenarios") or []
            waiting.extend((reader, item) for item in items)
    found = _read_all(waiting, rules, animals)
    if problems:
        raise ScenarioError(problems)
    facts = {name: kept.facts for name, kept in animals.items()}
    return Scenarios(tuple(found), facts, tuple(accepted))


def _file_keys(text: str, reader: Reader) -> Mapping[str, Node]:
    document = reader.document(text)
    if document is None:
        return {}
    return reader.mapping(document, "a scenario file", (), _FILE_KEYS) or {}


def _read_all(
    waiting: Iterable[tuple[Reader, Node]],
    rules: Collection[str],
    animals: Mapping[str, _Kept],
) -> list[Scenario]:
    """Each scenario once all animals are known; a name stands once only."""
    found: dict[str, Scenario] = {}
    for reader, node in waiting:
        scenario = _Reading(reader, rules, animals).scenario(node)
        if scenario is None:
            continue
        if scenario.name in found:
            first = found[scenario.name].where
            reader.problem(node, f'"{scenario.name}" is already the name of that in {first}')
        found.setdefault(scenario.name, scenario)
    return list(found.values())


def _read_accepted(node: Node, reader: Reader) -> Iterator[Accepted]:
    for item in reader.items(node, "accepted changes") or []:
        keys = reader.mapping(item, "an accepted change", ("of", "change", "because")) or {}
        texts = [reader.text(value, f"{key} of the change") or "" for key, value in keys.items()]
        if len(texts) == 3:
            given = dict(zip(keys, texts, strict=True))
            where = Written(reader.file, item.start_mark.line + 1)
            yield Accepted(given["of"], given["change"], given["because"], where)


def _read_animals(node: Node, reader: Reader, animals: dict[str, _Kept]) -> None:
    for name, (key, value) in (reader.pairs(node, "animals") or {}).items():
        if name in animals:
            reader.problem(key, f'the animal "{name}" is already given')
        keys = reader.mapping(value, "an animal", ("patient",), ("facts",)) or {}
        animals[name] = _Kept(
            _patient(keys.get("patient"), reader),
            read_facts(keys["facts"], reader) if "facts" in keys else {},
        )


def _patient(node: Node | None, reader: Reader) -> _Partial:
    if node is None:
        return _Partial()
    keys = reader.mapping(node, "a patient", (), _PATIENT_KEYS) or {}
    mass = None
    if "mass" in keys:
        mass = quantity_in(str(keys["mass"].value), "kg", keys["mass"], reader)
    return _Partial(
        reader.text(keys["species"], "a species") if "species" in keys else None,
        reader.word(keys["class"], "a class", CLASSES) if "class" in keys else None,
        mass,
        reader.word(keys["phase"], "a phase", PHASES) if "phase" in keys else None,
    )


@dataclass(slots=True)
class _Reading:
    """Reads one scenario."""

    reader: Reader
    rules: Collection[str]
    animals: Mapping[str, _Kept]

    def scenario(self, node: Node) -> Scenario | None:
        reader = self.reader
        before = len(reader.problems)
        keys = reader.mapping(node, "a scenario", ("scenario",), _SCENARIO_KEYS)
        if keys is None or "scenario" not in keys:
            return None
        where = Written(reader.file, node.start_mark.line + 1)
        name = reader.text(keys["scenario"], "a name")
        kept = self._kept(keys)
        animal = self._animal(node, keys, kept)
        timeline = read_timeline(node, keys, kept.facts, reader)
        lasts_s = self._lasts(node, keys)
        expects = read_expected(keys["expect"], reader, self.rules) if "expect" in keys else ()
        never = read_never(keys["never"], reader, self.rules) if "never" in keys else ()
        scenario = Scenario(
            name=name or "",
            where=where,
            animal=animal,
            lasts_s=lasts_s,
            timeline=timeline or Facts({}),
            about=(reader.text(keys["about"], "words") or "") if "about" in keys else "",
            asked=read_requests(keys["asked"], reader, self.rules) if "asked" in keys else (),
            expects=expects,
            never=never,
            quiet=read_windows(keys["quiet"], reader) if "quiet" in keys else (),
            others_silent=self._others_silent(keys),
            tolerance_s=self._tolerance_s(keys),
        )
        self._check(node, scenario)
        return scenario if len(reader.problems) == before else None

    def _kept(self, keys: Mapping[str, Node]) -> _Kept:
        if "animal" not in keys:
            return _Kept()
        name = self.reader.word(keys["animal"], "one of the animals", self.animals)
        return self.animals[name] if name is not None else _Kept()

    def _animal(self, node: Node, keys: Mapping[str, Node], kept: _Kept) -> Animal:
        given = _patient(keys.get("patient"), self.reader).over(kept.patient)
        species = given.species
        if species is None:
            if "animal" not in keys:
                words = "a scenario needs an animal, or a patient with its species"
                self.reader.problem(node, words)
            return Animal("cat", "mammal", None)
        class_ = given.class_ or class_of(species)
        if class_ is None:
            self.reader.problem(node, f'"{species}" is not a species known here: add its class')
        return Animal(species, class_ or "mammal", given.mass_kg, given.phase or "maintenance")

    def _lasts(self, node: Node, keys: Mapping[str, Node]) -> float:
        if "lasts" not in keys:
            if "recording" not in keys:
                self.reader.problem(node, 'a scenario says how long it lasts: "lasts: 3 min"')
            return LONGEST_S
        lasts_s = read_time(keys["lasts"], self.reader)
        if lasts_s is not None and not _SHORTEST_S <= lasts_s <= LONGEST_S:
            self.reader.problem(keys["lasts"], "a scenario lasts from 1 s to 6 h")
        return lasts_s or _SHORTEST_S

    def _others_silent(self, keys: Mapping[str, Node]) -> bool:
        if "others" not in keys:
            return False
        return self.reader.word(keys["others"], "what others may do", ("silent", "any")) == "silent"

    def _tolerance_s(self, keys: Mapping[str, Node]) -> float:
        seconds = read_time(keys["tolerance"], self.reader) if "tolerance" in keys else None
        return TOLERANCE_S if seconds is None else seconds

    def _check(self, node: Node, scenario: Scenario) -> None:
        """What contradicts itself, or cannot fail, is a mistake of the author."""
        reader = self.reader
        if not (scenario.expects or scenario.never or scenario.quiet or scenario.others_silent):
            reader.problem(
                node, "a scenario expects something: expect, never, quiet or others: silent"
            )
        both = sorted({one.rule for one in scenario.expects} & set(scenario.never))
        if both:
            reader.problem(node, f"{', '.join(both)}: expected, and never to be raised")
        for one in scenario.expects:
            for window in (one.raised, *one.reminded, one.escalated, one.cleared):
                if isinstance(window, Window) and window.ends_s > scenario.lasts_s:
                    reader.problem(
                        node,
                        f"{one.rule} is expected {window}, and the scenario lasts "
                        f"{scenario.lasts_s:g} s",
                    )
