"""A stretch of a store as a scenario: last night's false alarm becomes this morning's test.

Who it was, where and when does not come along: names, devices, places, dates and what people wrote
are replaced or left out.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

from adapters.recordings import Line, write_recording
from adapters.rehearsal.run import Stage
from adapters.rehearsal.shifting import moved
from adapters.rule_files import LoadedRules
from adapters.sqlite.reading import StoreError, open_for_reading, read_arrivals
from adapters.why import check_place, instant_ms
from rules.notice import NOTICE
from service.intake import Arrival
from service.messages import RefusalError, parse, split_topic
from service.quantities import NUMERICS
from service.rehearsal.looks import PATIENT, START_MS
from service.rehearsal.running import PLACE, WARD, event_s
from service.rehearsal.scenario import LONGEST_S, Animal, Expected, Recorded, Scenario, Written
from service.rehearsal.times import Window
from service.rehearsal.writing import written

_MS_PER_S: Final = 1000
#: What is raised in the recording may come so much sooner or later in a test of it (s).
_SLACK_S: Final = 2.0
_HERE: Final = Written("scenario", 1)
#: What may stay of each kind of message besides its envelope. Requests name advisories by place
#: and patient, so they mean nothing once those are gone.
_KEPT: Final = {
    "numerics": ("values",),
    "waveform": ("channel", "unit", "rate_hz", "samples"),
    "settings": ("mode", "pip_target", "te_set", "fresh_gas_flow", "peep_set",
                 "circuit_compliance", "apparatus_dead_space"),
    "power": ("supply", "charge", "voltage", "current", "capacity"),
    "patient": ("species", "class", "mass", "phase"),
    "journey": ("leaves_at", "minutes", "return_minutes", "margin_minutes"),
}  # fmt: skip
#: What a broker keeps for who comes later; told first.
_RETAINED: Final = ("patient", "journey")
_QUANTITY: Final = ("value", "unit", "status")


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which stretch of which place; times as `why` takes them. `never` are rules that cried wolf.

    `lead_s` is how much before it comes along, so that what is usual there is known.
    """

    place: str
    from_: str
    to: str
    name: str
    lead_s: float
    never: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Message:
    """A message that was accepted, decoded once: when it came, of which kind, and what it says."""

    received_ms: int
    kind: str
    body: dict[str, Any]

    def line(self) -> Line:
        """As it is written into a recording, of the one place that scenarios know."""
        return Line(self.received_ms, f"tidewarden/1/{WARD}/{PLACE}/{self.kind}", self.body)


def scenario_from_store(store: Path, wanted: Wanted, rules: LoadedRules, folder: Path) -> Path:
    """Write the recording and the scenario into `folder`; returns the scenario's file.

    StoreError when the store has no such stretch.
    """
    clean = list(_without_identity(_stretch(store, wanted)))
    slug = "".join(c if c.isalnum() else "-" for c in wanted.name.casefold()).strip("-")
    recording = folder / f"{slug}.jsonl.gz"
    path = folder / f"{slug}.yaml"
    for there in (recording, path):
        if there.exists():
            raise StoreError(f"{there} is there already: give another --name")
    folder.mkdir(parents=True, exist_ok=True)
    write_recording(recording, (one.line() for one in clean))
    scenario = _scenario(wanted, _animal(wanted.place, clean), recording.name)
    if not wanted.never:
        scenario = replace(scenario, expects=_as_now(scenario, rules, folder))
    head = f"# {NOTICE}\nscenarios:\n"
    path.write_text(head + written(scenario), "utf-8")
    return path


def _stretch(store: Path, wanted: Wanted) -> list[_Message]:
    """What was received there then, who lies there first; moved to when scenarios begin."""
    database = open_for_reading(store)
    try:
        arrivals = list(read_arrivals(database))
    finally:
        database.close()
    check_place(store, wanted.place, arrivals)
    first_ms, last_ms = arrivals[0].received_ms, arrivals[-1].received_ms
    from_ms = instant_ms(wanted.from_, first_ms, last_ms, "--from")
    to_ms = instant_ms(wanted.to, first_ms, last_ms, "--to")
    if to_ms <= from_ms:
        raise StoreError("--to lies before --from")
    begins_ms = from_ms - round(_MS_PER_S * wanted.lead_s)
    within = list(_messages(arrivals, wanted.place, _KEPT, begins_ms, to_ms))
    if not within:
        raise StoreError(f"{wanted.place}: nothing was received there then")
    begins_ms = within[0].received_ms
    # The last of each before: a broker keeps them for who comes later.
    before = _messages(arrivals, wanted.place, _RETAINED, first_ms, begins_ms - 1)
    last = {one.kind: one for one in before}
    known = [last[kind] for kind in _RETAINED if kind in last]
    told = [replace(one, received_ms=begins_ms) for one in _counted_on(known, within)]
    by_ms = START_MS - begins_ms
    return [
        _Message(one.received_ms + by_ms, one.kind, moved(one.body, by_ms))
        for one in (*told, *within)
    ]


def _messages(
    arrivals: Iterable[Arrival], place: str, kinds: Collection[str], from_ms: int, to_ms: int
) -> Iterator[_Message]:
    """The messages of these kinds that were accepted from the place from then to then."""
    for arrival in arrivals:
        if not from_ms <= arrival.received_ms <= to_ms:
            continue
        try:
            ward, bay, kind = split_topic(arrival.topic)
            if f"{ward}/{bay}" != place or kind not in kinds:
                continue
            parse(kind, arrival.payload)
        except RefusalError:
            continue
        yield _Message(arrival.received_ms, kind, json.loads(arrival.payload))


def _counted_on(known: Sequence[_Message], within: Sequence[_Message]) -> Iterator[_Message]:
    """What was told long before, counted just before the first of its device: nothing is lost."""
    first: dict[str, dict[str, Any]] = {}
    for message in within:
        first.setdefault(message.body["device"], message.body)
    for number, message in enumerate(known):
        after = first.get(message.body["device"])
        if after is None:
            yield message
        else:
            counted = {"epoch": after["epoch"], "seq": after["seq"] - len(known) + number}
            yield replace(message, body=message.body | counted)


@dataclass(slots=True)
class _Names:
    """A new name for each old one, in order of appearance."""

    word: str
    known: dict[str, str] = field(default_factory=dict)

    def of(self, name: object) -> str:
        return self.known.setdefault(str(name), f"{self.word}{len(self.known) + 1}")


def _without_identity(messages: Sequence[_Message]) -> Iterator[_Message]:
    devices, epochs = _Names("device-"), _Names("")
    lowest = _lowest(messages)
    for message in messages:
        body = message.body
        device = devices.of(body["device"])
        # Gaps in the count tell of losses: they stay, and where it began does not.
        base = lowest[body["device"], str(body["epoch"])]
        envelope = {
            "schema": 1, "device": device, "epoch": epochs.of(f"{device}/{body['epoch']}"),
            "seq": body["seq"] - base, "at": body["at"],
        }  # fmt: skip
        yield replace(message, body=envelope | _kept(message))


def _kept(message: _Message) -> dict[str, Any]:
    body = message.body
    kept = {key: body[key] for key in _KEPT[message.kind] if body.get(key) is not None}
    if message.kind == "numerics":
        kept["values"] = {
            name: _plain(value) for name, value in kept["values"].items() if name in NUMERICS
        }
    if message.kind == "patient":
        kept["patient"] = PATIENT
    if message.kind == "journey":
        kept |= {"from": "here", "to": "there"}
    return {key: _plain(value) for key, value in kept.items()}


def _lowest(messages: Iterable[_Message]) -> dict[tuple[str, str], int]:
    """The lowest count of each device and epoch."""
    found: dict[tuple[str, str], int] = {}
    for message in messages:
        body = message.body
        key = body["device"], str(body["epoch"])
        found[key] = min(found.get(key, body["seq"]), body["seq"])
    return found


def _plain(value: Any) -> Any:
    """A quantity without what else a device may have written beside it."""
    if isinstance(value, dict) and "value" in value:
        return {key: value[key] for key in _QUANTITY if key in value}
    return value


def _animal(place: str, messages: Iterable[_Message]) -> Animal:
    for message in messages:
        if message.kind == "patient":
            told = parse("patient", json.dumps(message.body).encode())
            mass = getattr(told, "mass", None)
            return Animal(
                str(getattr(told, "species", "")),
                str(getattr(told, "class_", "")),
                None if mass is None else mass.value,
                str(getattr(told, "phase", "")),
            )
    raise StoreError(f"{place}: nobody has told who lay there then")


def _scenario(wanted: Wanted, animal: Animal, recording: str) -> Scenario:
    return Scenario(
        name=wanted.name,
        where=_HERE,
        animal=animal,
        lasts_s=LONGEST_S,
        timeline=Recorded(recording),
        about=f"From life; {wanted.lead_s:g} s before it are there to learn what is usual.",
        never=wanted.never,
    )


def _as_now(scenario: Scenario, rules: LoadedRules, folder: Path) -> tuple[Expected, ...]:
    """What the rules say of it today: to be changed into what they should have said."""
    stage = Stage(rules.rule_set)
    rehearsed = stage.rehearse(scenario, folder)
    if rehearsed.ran is None:
        raise StoreError("; ".join(one.why for one in rehearsed.verdicts))
    return tuple(
        Expected(
            event.advisory.rule,
            _HERE,
            Window(max(0.0, event_s(event) - _SLACK_S), event_s(event) + _SLACK_S),
            priority=str(event.advisory.priority),
        )
        for event in rehearsed.ran.events
        if event.kind in ("raised", "returned")
    )
