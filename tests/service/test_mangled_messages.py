"""A thousand seeded mutations of good messages: nothing raises, nothing is lost, all is stored."""

from __future__ import annotations

import copy
import hashlib
import json
import random
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from service_bench import (
    GOOD,
    PLACE,
    START_MS,
    arrival,
    body,
    cycle_end,
    encoded,
    library_rules,
    new_watch,
)
from sqlite_utils import Database

from adapters.sqlite.reading import open_for_reading, read_arrivals
from adapters.sqlite.store import FILE_NAME, SqliteStore
from service.intake import Accepted, Arrival, Refused
from service.watch import CYCLE_MS, Outcome, Watch

MUTATIONS = 1000
WILD: tuple[str, ...] = (
    "1e308", "-1e308", "1e999", "1e-400", "-0.0", "NaN", "Infinity", "-Infinity", str(10**400),
    str(2**63), str(2**53 + 1), "9" * 5000, "null", "true", '"6"', "[]", "{}", '""', '"\\u0000"',
    '"\\ud800"', '"{x}"', "[[[[[[]]]]]]", '"2026-02-30T00:00:00Z"',
)  # fmt: skip


class Mangler:
    """Makes one bad message out of a good one; the same seed gives the same messages."""

    def __init__(self, seed: int) -> None:
        self._random = random.Random(seed)

    def mangle(self, message: dict[str, Any]) -> bytes:
        ways = (self._flip, self._cut, self._without, self._swapped, self._doubled, self._wild)
        return self._random.choice(ways)(message)

    def topic(self, topic: str) -> str:
        """A topic with one character changed."""
        at = self._random.randrange(len(topic))
        return topic[:at] + self._random.choice("abz019-_/+# é\x00") + topic[at + 1 :]

    def _flip(self, message: dict[str, Any]) -> bytes:
        payload = bytearray(encoded(message))
        for _ in range(self._random.randint(1, 3)):
            payload[self._random.randrange(len(payload))] ^= 1 << self._random.randrange(8)
        return bytes(payload)

    def _cut(self, message: dict[str, Any]) -> bytes:
        payload = encoded(message)
        return payload[: self._random.randrange(len(payload))]

    def _without(self, message: dict[str, Any]) -> bytes:
        holder, key = self._random.choice(list(_slots(message)))
        del holder[key]
        return encoded(message)

    def _swapped(self, message: dict[str, Any]) -> bytes:
        slots = list(_slots(message))
        (one, key), (other, key_2) = self._random.choice(slots), self._random.choice(slots)
        one_value, other_value = copy.deepcopy(one[key]), copy.deepcopy(other[key_2])
        one[key] = other_value
        # The other may have gone with what was replaced.
        other[key_2] = one_value
        return encoded(message)

    def _doubled(self, message: dict[str, Any]) -> bytes:
        first, second = self._random.sample(sorted(message), 2)
        extra = f"{{{json.dumps(first)}: {json.dumps(message[second])}, "
        return extra.encode() + encoded(message)[1:]

    def _wild(self, message: dict[str, Any]) -> bytes:
        holder, key = self._random.choice(list(_slots(message)))
        holder[key] = "@wild@"
        return encoded(message).replace(b'"@wild@"', self._random.choice(WILD).encode())


def _slots(value: Any) -> Iterator[tuple[Any, Any]]:
    """Every place in a message that holds a value."""
    keys = list(value) if isinstance(value, dict) else range(min(3, len(value)))
    for key in keys:
        yield value, key
        if isinstance(value[key], dict | list):
            yield from _slots(value[key])


def _mangled_stream(seed: int) -> list[list[Arrival]]:
    """Mangled messages of every kind, one a cycle, with a good one in every fourth cycle."""
    mangler, chance = Mangler(seed), random.Random(seed + 1)
    kinds = sorted(GOOD)
    cycles = []
    for number in range(MUTATIONS):
        after_s = CYCLE_MS / 1000.0 * number
        at_ms = START_MS + CYCLE_MS * number
        kind = kinds[number % len(kinds)]
        message = copy.deepcopy(body(kind, seq=number, at_ms=at_ms, device="mangled"))
        topic = f"tidewarden/1/{PLACE}/{kind}"
        if chance.random() < 0.05:
            topic = mangler.topic(topic)
        cycle = [Arrival(at_ms, topic, mangler.mangle(message))]
        if number % 4 == 0:
            cycle.append(arrival("numerics", number, after_s + 0.01, device="good"))
        cycles.append(cycle)
    return cycles


@dataclass
class Mangled:
    """One run of the mangled stream through a watch into a store."""

    arrivals: list[Arrival]
    outcomes: list[Outcome]
    watch: Watch
    folder: Path

    @property
    def accepted(self) -> list[Accepted]:
        return [item for outcome in self.outcomes for item in outcome.accepted]

    @property
    def refused(self) -> list[Refused]:
        return [item for outcome in self.outcomes for item in outcome.refused]

    @property
    def repeats(self) -> int:
        return sum(outcome.repeats for outcome in self.outcomes)

    def database(self) -> Database:
        return open_for_reading(self.folder / FILE_NAME)


@pytest.fixture(scope="module", params=[1, 2])
def mangled(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Mangled:
    cycles = _mangled_stream(request.param)
    folder = tmp_path_factory.mktemp("mangled")
    watch, store = new_watch(), SqliteStore(folder)
    store.begin_run(
        started_ms=START_MS,
        instance="tidewarden",
        software="test",
        engine="plain",
        rule_set=library_rules(),
        rule_files={},
        resumed=False,
    )
    outcomes = []
    for at in range(0, len(cycles), 20):
        part = [item for cycle in cycles[at : at + 20] for item in cycle]
        outcomes.append(watch.step(part, cycle_end(part[-1].received_ms)))
        store.commit(outcomes[-1], [], None)
    store.close()
    return Mangled([item for cycle in cycles for item in cycle], outcomes, watch, folder)


def _key(payload: bytes) -> tuple[str, str, int]:
    message = json.loads(payload)
    return message["device"], str(message["epoch"]), message["seq"]


def test_mutations_do_all_three(mangled: Mangled) -> None:
    # Otherwise the tests below prove little.
    assert len(mangled.refused) > 400
    assert sum(item.message.device != "good" for item in mangled.accepted) > 50
    assert mangled.repeats > 0


def test_every_arrival_is_exactly_one_of_three(mangled: Mangled) -> None:
    taken = [item.arrival for item in (*mangled.accepted, *mangled.refused)]
    left = Counter(mangled.arrivals)
    left.subtract(Counter(taken))
    assert min(left.values()) == 0
    rest = list(left.elements())
    assert len(rest) == mangled.repeats
    # What is left over was a repeat: the same device, epoch and number was accepted before.
    known = {_key(item.arrival.payload) for item in mangled.accepted}
    assert all(_key(item.payload) in known for item in rest)


def test_numbers_of_arrival_have_no_hole(mangled: Mangled) -> None:
    numbers = [item.number for item in (*mangled.accepted, *mangled.refused)]
    assert sorted(numbers) == list(range(1, len(numbers) + 1))


def test_good_messages_in_between_are_accepted(mangled: Mangled) -> None:
    good = [item for item in mangled.accepted if item.message.device == "good"]
    assert [item.message.seq for item in good] == list(range(0, MUTATIONS, 4))


def test_every_refusal_has_a_reason_and_an_answer(mangled: Mangled) -> None:
    assert all(item.reason.strip() for item in mangled.refused)
    answers = Counter(
        (said["topic"], said["sha256"], said["reason"], said["bytes"])
        for outcome in mangled.outcomes
        for message in outcome.outbox
        if message.topic == "tidewarden/1/service/tidewarden/rejected"
        for said in [json.loads(message.payload)]
    )
    assert answers == Counter(
        (item.arrival.topic, _sha256(item.arrival), item.reason, len(item.arrival.payload))
        for item in mangled.refused
    )


def test_quarantine_holds_every_refused_payload_byte_for_byte(mangled: Mangled) -> None:
    rows = mangled.database().execute(
        "select q.id, q.received_ms, q.topic, q.reason, b.payload from quarantine q "
        "join quarantined_payloads b on b.sha256 = q.payload_sha256 order by q.id"
    )
    assert [tuple(row) for row in rows] == [
        (
            item.number,
            item.arrival.received_ms,
            item.arrival.topic,
            item.reason,
            item.arrival.payload,
        )
        for item in mangled.refused
    ]


def test_messages_hold_every_accepted_payload_exactly_once(mangled: Mangled) -> None:
    rows = mangled.database().execute("select id, payload from messages order by id")
    assert [(number, text.encode()) for number, text in rows] == [
        (item.number, item.arrival.payload) for item in mangled.accepted
    ]


def test_the_store_gives_back_the_stream(mangled: Mangled) -> None:
    items = sorted((*mangled.accepted, *mangled.refused), key=lambda item: item.number)
    assert list(read_arrivals(mangled.database())) == [item.arrival for item in items]


def test_the_store_is_whole(mangled: Mangled) -> None:
    database = mangled.database()
    assert list(database.query("pragma foreign_key_check")) == []
    assert list(database.query("pragma integrity_check")) == [{"integrity_check": "ok"}]


def test_the_stream_again_gives_the_same(mangled: Mangled) -> None:
    again = new_watch()
    whole = again.step(mangled.arrivals, cycle_end(mangled.arrivals[-1].received_ms))
    assert whole.outbox == [m for outcome in mangled.outcomes for m in outcome.outbox]
    assert again.checkpoint() == mangled.watch.checkpoint()


def test_with_configured_places_no_other_place_appears() -> None:
    cycles = _mangled_stream(3)
    arrivals = [item for cycle in cycles for item in cycle]
    watch = new_watch(places=[PLACE])
    watch.step(arrivals, cycle_end(arrivals[-1].received_ms))
    assert set(watch.state.places) == {PLACE}


def _sha256(item: Arrival) -> str:
    return hashlib.sha256(item.payload).hexdigest()
