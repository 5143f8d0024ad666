"""A scenario in sentences: who lies there, what happens, who asks for what."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping

from rules.condition_words import number_words
from rules.engine.guard import FactValue
from rules.vocabulary import CATALOGUE
from service.rehearsal.reading_timeline import READINGS
from service.rehearsal.scenario import Asked, Facts, Readings, Recorded, Scenario, Simulated
from service.rehearsal.series import Series, Stretch


def seconds(at_s: float) -> str:
    """A time: "69 s", "69.1 s"."""
    return f"{round(at_s, 1):g} s" if abs(at_s) < 1e5 else f"{at_s:.0f} s"


def animal(scenario: Scenario) -> str:
    """Who lies there: "rabbit, 1.8 kg, weaning"."""
    one = scenario.animal
    mass = "mass unknown" if one.mass_kg is None else f"{one.mass_kg:g} kg"
    return f"{one.species}, {mass}, {one.phase}"


def length(scenario: Scenario, ran_s: float) -> str:
    """How long it lasts; a recording as long as it ran (s)."""
    return seconds(ran_s if isinstance(scenario.timeline, Recorded) else scenario.lasts_s)


def happenings(scenario: Scenario, named: Collection[str]) -> Iterator[str]:
    """What happens in this scenario, a sentence each; `named` are the facts its rules speak of."""
    timeline = scenario.timeline
    if isinstance(timeline, Simulated):
        yield from _simulated(timeline)
    elif isinstance(timeline, Facts):
        yield from _changing(timeline.series, scenario.lasts_s)
        yield from _still(timeline.series, named, scenario.lasts_s)
    elif isinstance(timeline, Readings):
        yield from _read(timeline, scenario.lasts_s)
    elif isinstance(timeline, Recorded):
        yield f"The recording {timeline.file} is played from its beginning."
    yield from map(_asked, scenario.asked)


def _simulated(timeline: Simulated) -> Iterator[str]:
    if not timeline.happens:
        yield "Nothing happens to the simulated animal."
    for sentence, _ in timeline.happens:
        yield f"{sentence[:1].upper()}{sentence[1:]}."
    for part, given in timeline.simulate.items():
        yield f"In the simulation, {part} is given as {_given(given)}."


def _given(given: object) -> str:
    if isinstance(given, Mapping):
        return ", ".join(f"{key} {value}" for key, value in given.items())
    return str(given)


def _read(timeline: Readings, lasts_s: float) -> Iterator[str]:
    for name, series in timeline.series.items():
        yield f"{name} is sent: {series_words(series, READINGS[name].unit, lasts_s)}."


def _changing(series: Mapping[str, Series], lasts_s: float) -> Iterator[str]:
    moving = {name: one for name, one in series.items() if _changes(one, lasts_s)}
    if not moving:
        yield "No fact changes."
    for name, one in moving.items():
        yield f"{_subject(name)}: {series_words(one, CATALOGUE[name].unit, lasts_s)}."


def _still(series: Mapping[str, Series], named: Collection[str], lasts_s: float) -> Iterator[str]:
    still = [name for name, one in series.items() if not _changes(one, lasts_s)]
    told = [name for name in still if name in named]
    if told:
        values = (f"{name} {_value(series[name].at(0.0), CATALOGUE[name].unit)}" for name in told)
        yield f"Throughout: {', '.join(values)}."
    if len(still) > len(told):
        more = len(still) - len(told)
        stay = "other fact stays as it is" if more == 1 else "other facts stay as they are"
        yield f"{more} {stay}."


def _subject(name: str) -> str:
    meaning = CATALOGUE[name].meaning
    return f"{meaning[:1].upper()}{meaning[1:]} ({name})"


def _changes(series: Series, lasts_s: float) -> bool:
    return sum(stretch.begins_s < lasts_s for stretch in series.stretches) > 1


def series_words(series: Series, unit: str, lasts_s: float) -> str:
    """Values over time: "98 % until 30 s, then to 88 % by 90 s, then unknown"."""
    told = [stretch for stretch in series.stretches if stretch.begins_s < lasts_s]
    ends = [*(stretch.begins_s for stretch in told[1:]), None]
    return ", then ".join(
        _stretch(stretch, end_s, unit) for stretch, end_s in zip(told, ends, strict=True)
    )


def _stretch(stretch: Stretch, end_s: float | None, unit: str) -> str:
    value = _value(stretch.value, unit)
    if stretch.origin is not None:
        return f"to {value} by {seconds(stretch.ends_s)}"
    return value if end_s is None else f"{value} until {seconds(end_s)}"


def _value(value: FactValue | None, unit: str) -> str:
    if value is None:
        return "unknown"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return value if isinstance(value, str) else number_words(value, unit)


def _asked(asked: Asked) -> str:
    what = {
        "acknowledge": f"acknowledges {asked.rule}",
        "pause": "pauses new advisories",
        "resume": "ends the pause",
    }[asked.action]
    if asked.minutes is not None:
        what += f" for {asked.minutes:g} min"
    if asked.reason:
        what += f", because: {asked.reason}"
    return f"At {seconds(asked.at_s)} {asked.by} {what}."
