"""A scenario as the YAML that would be read as it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Final

from rules.engine.guard import FactValue
from service.rehearsal.scenario import (
    TOLERANCE_S,
    Animal,
    Asked,
    Expected,
    Facts,
    Recorded,
    Scenario,
)
from service.rehearsal.series import UNKNOWN, Series
from service.rehearsal.times import Window

#: What would be read as something else than plain text.
_AWKWARD: Final = re.compile(
    r": |:$|#|^[\s\"'&*!|>%@`{\[\]},?-]|^(true|false|null|~|yes|no|on|off)$|^[\d.+-]|\s$",
    re.IGNORECASE,
)


def written(
    scenario: Scenario, animal: str | None = None, healthy: Mapping[str, Series] | None = None
) -> str:
    """The YAML of a scenario of facts, or of one with a recording.

    With `animal` it begins with that kept animal, and says only what differs from `healthy`.
    """
    return "".join(f"{line}\n" for line in _lines(scenario, animal, healthy or {}))


def _lines(scenario: Scenario, animal: str | None, healthy: Mapping[str, Series]) -> Iterator[str]:
    yield f"  - scenario: {text(scenario.name)}"
    if scenario.about:
        yield f"    about: {text(scenario.about)}"
    if animal is not None:
        yield f"    animal: {animal}"
    yield f"    patient: {_patient(scenario.animal)}"
    if not isinstance(scenario.timeline, Recorded):
        yield f"    lasts: {scenario.lasts_s:g} s"
    yield from _timeline(scenario, healthy)
    if scenario.asked:
        yield "    asked:"
        yield from (f"      - {_request(asked)}" for asked in scenario.asked)
    if scenario.expects:
        yield "    expect:"
        yield from (f"      - {_expected(expected)}" for expected in scenario.expects)
    if scenario.never:
        yield f"    never: [{', '.join(scenario.never)}]"
    if scenario.quiet:
        yield f"    quiet: [{', '.join(map(window, scenario.quiet))}]"
    if scenario.others_silent:
        yield "    others: silent"
    if scenario.tolerance_s != TOLERANCE_S:
        yield f"    tolerance: {scenario.tolerance_s:g} s"


def _timeline(scenario: Scenario, healthy: Mapping[str, Series]) -> Iterator[str]:
    timeline = scenario.timeline
    if isinstance(timeline, Recorded):
        yield f"    recording: {text(timeline.file)}"
        return
    assert isinstance(timeline, Facts)  # noqa: S101 (the others are written by people)
    yield "    facts:"
    for name, series in timeline.series.items():
        if series_text(series) != series_text(healthy.get(name)):
            yield f"      {name}: {series_text(series)}"


def series_text(series: Series | None) -> str:
    """`98 for 30 s, 85`."""
    if series is None:
        return UNKNOWN
    items = []
    for stretch in series.stretches:
        lasts_s = stretch.ends_s - stretch.begins_s
        value = value_text(stretch.value)
        if stretch.origin is not None:
            items.append(f"to {value} over {lasts_s:g} s")
        else:
            items.append(value if lasts_s == float("inf") else f"{value} for {lasts_s:g} s")
    return ", ".join(items)


def value_text(value: FactValue | None) -> str:
    """A value as it stands in a series."""
    if value is None:
        return UNKNOWN
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:.9g}" if isinstance(value, float | int) else value


def text(words: str) -> str:
    """A text, in quotes where it needs them."""
    if not _AWKWARD.search(words):
        return words
    escaped = words.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
    return f'"{escaped}"'


def window(one: Window) -> str:
    """`62 s to 80 s`."""
    if one.begins_s == one.ends_s:
        return f"{one.begins_s:g} s"
    return f"{one.begins_s:g} s to {one.ends_s:g} s"


def _patient(animal: Animal) -> str:
    mass = "" if animal.mass_kg is None else f", mass: {animal.mass_kg:g} kg"
    return (
        f"{{species: {text(animal.species)}, class: {animal.class_}{mass}, phase: {animal.phase}}}"
    )


def _request(asked: Asked) -> str:
    what = f"acknowledge: {asked.rule}" if asked.action == "acknowledge" else "resume: now"
    if asked.action == "pause":
        what = f"pause: {asked.minutes:g} min"
    reason = "" if asked.reason is None else f", reason: {_quoted(asked.reason)}"
    return f"{{at: {asked.at_s:g} s, {what}, by: {_quoted(asked.by)}{reason}}}"


def _expected(expected: Expected) -> str:
    parts = [f"rule: {expected.rule}", f"raised: {window(expected.raised)}"]
    if expected.priority is not None:
        parts.append(f"priority: {expected.priority}")
    if expected.says is not None:
        parts.append(f"says: {_quoted(expected.says)}")
    if expected.explained_by is not None:
        parts.append(f"explained_by: {expected.explained_by}")
    if expected.reminded:
        parts.append(f"reminded: [{', '.join(map(window, expected.reminded))}]")
    for key, asked in (("escalated", expected.escalated), ("cleared", expected.cleared)):
        if asked is not None:
            parts.append(f"{key}: {asked if isinstance(asked, str) else window(asked)}")
    return f"{{{', '.join(parts)}}}"


def _quoted(words: str) -> str:
    """Inside braces a comma would end the text."""
    shown = text(words)
    return f'"{shown}"' if shown == words and re.search(r"[,{}\[\]]", words) else shown
