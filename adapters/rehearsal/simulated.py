"""The simulated animal of a scenario, and its messages."""

from __future__ import annotations

from collections.abc import Mapping
from random import Random
from typing import Any, Final

from pydantic import ValidationError

from adapters.evaluation.animals import Healthy, healthy
from adapters.evaluation.case import place_of
from adapters.evaluation.population import Case, Sensors
from adapters.evaluation.species import BY_NAME, SPECIES, Species
from adapters.rehearsal.sentences import SentenceError, events_of
from adapters.simulator.scenario import PlaceSpec
from adapters.simulator.scenario import Scenario as Ward
from adapters.simulator.ward import SimulatedWard
from rules.reading import Problem
from rules.vocabulary.species import names_of
from service.intake import Arrival
from service.rehearsal.looks import START_MS, instant
from service.rehearsal.reading import ScenarioError
from service.rehearsal.running import PLACE, WARD
from service.rehearsal.scenario import Animal, Scenario, Simulated

_SEED: Final = 20
_SENSORS: Final = Sensors(
    paw_hz=100, paw_block_s=1.0, co2_hz=25, co2_block_s=1.0, paw_noise_cmh2o=0.07,
    co2_noise_mmhg=0.2, co2_rise_10_90_s=0.15,
)  # fmt: skip
#: Own breathing begins when blood CO2 is so far over where the team keeps it (mmHg, our choice).
_DRIVE_OVER_MMHG: Final = 20.0
_PARTS: Final = ("settings", "circuit", "lung", "gas", "drive", "monitor", "power")


def simulated_arrivals(scenario: Scenario, timeline: Simulated) -> list[Arrival]:
    """The messages of the scenario, in order of receipt. ScenarioError says what is wrong."""
    ward = Ward(
        scenario="rehearsal",
        title=scenario.name,
        ward=WARD,
        duration_s=scenario.lasts_s,
        places=(place_spec(scenario, timeline),),
    )
    sent = SimulatedWard(ward, START_MS, _SEED).advance(instant(scenario.lasts_s))
    return [one.arrival() for one in sent]


def place_spec(scenario: Scenario, timeline: Simulated) -> PlaceSpec:
    """The place of the simulator. ScenarioError names the line of what is not understood."""
    events, problems = [], []
    for sentence, where in timeline.happens:
        try:
            events += events_of(sentence)
        except SentenceError as error:
            problems.append(Problem(where.file, where.line, 1, str(error)))
    if problems:
        raise ScenarioError(problems)
    body = place_of(_case(scenario)).model_dump(by_alias=True, exclude={"events", "expects"})
    body["patient"]["phase"] = scenario.animal.phase
    body["place"] = PLACE
    body["events"] = sorted(events, key=lambda event: float(event["at_s"]))
    try:
        return PlaceSpec.model_validate(_with_parts(body, timeline.simulate))
    except (ValidationError, ValueError) as error:
        raise ScenarioError([_problem(scenario, error)]) from None


def _case(scenario: Scenario) -> Case:
    return Case(
        seed=_SEED,
        number=0,
        lasts_s=scenario.lasts_s,
        animal=_animal(scenario),
        sensors=_SENSORS,
        drive_over_mmhg=_DRIVE_OVER_MMHG,
        happenings=(),
        fault=None,
    )


def _animal(scenario: Scenario) -> Healthy:
    """An animal of that species and mass, the same in every scenario."""
    animal = scenario.animal
    species = _species(animal)
    if species is None:
        where, known = scenario.where, ", ".join(sorted(BY_NAME))
        words = f'"{animal.species}" cannot be simulated; these can: {known}'
        raise ScenarioError([Problem(where.file, where.line, 1, words)])
    if animal.mass_kg is None:
        where = scenario.where
        words = 'an animal that is simulated needs its mass: "mass: 1.2 kg"'
        raise ScenarioError([Problem(where.file, where.line, 1, words)])
    return healthy(species, animal.mass_kg, Random(f"{animal.species}/{animal.mass_kg:g}"))


def _species(animal: Animal) -> Species | None:
    """The species itself, else its kind, else any of its class."""
    for name in names_of(animal.species):
        if name in BY_NAME:
            found = BY_NAME[name]
            return Species(animal.species, found.class_, found.mass_kg, found.temperature_c)
    alike = next((one for one in SPECIES if one.class_ == animal.class_), None)
    if alike is None:
        return None
    return Species(animal.species, alike.class_, alike.mass_kg, alike.temperature_c)


def _with_parts(body: dict[str, Any], parts: Mapping[str, Any]) -> dict[str, Any]:
    for name, given in parts.items():
        if name not in _PARTS:
            raise ValueError(f"simulate: {name!r} is not one of {', '.join(_PARTS)}")
        if not isinstance(given, dict):
            raise ValueError(f"simulate: {name} has keys with values")
        body[name] = {**body[name], **given}
    return body


def _problem(scenario: Scenario, error: ValueError) -> Problem:
    where = scenario.where
    if not isinstance(error, ValidationError):
        return Problem(where.file, where.line, 1, str(error))
    first = error.errors(include_url=False, include_context=False)[0]
    what = ".".join(str(part) for part in first["loc"])
    words = f"simulate: {what}: {first['msg'].removeprefix('Value error, ')}"
    return Problem(where.file, where.line, 1, words)
