"""Whatever arrives, the watch goes on: accepted, refused with a reason, or a repeat."""

from __future__ import annotations

import hashlib
import json
import time

import pytest
from service_bench import (
    PLACE,
    START_MS,
    arrival,
    body,
    encoded,
    new_watch,
    quantity,
    raw,
    step_all,
)

from service.intake import Arrival
from service.watch import Outcome

DAY_S = 86_400.0


def _replaced(old: str, new: str, kind: str = "numerics") -> bytes:
    text = json.dumps(body(kind))
    assert old in text
    return text.replace(old, new).encode()


BAD: dict[str, Arrival] = {
    "not JSON": raw(b"<numerics/>"),
    "empty": raw(b""),
    "10 MB": raw(b"[" + b"1," * 5_000_000 + b"1]"),
    "wrong unit": arrival("numerics", values={"spo2": quantity(97.0, "s")}),
    "NaN": raw(_replaced("97.0", "NaN")),
    "Infinity": raw(_replaced("97.0", "Infinity")),
    "a huge number": raw(_replaced("97.0", "1e308")),
    "a number of 5,000 digits": raw(_replaced("97.0", "9" * 5000)),
    "a rate of 400 digits": raw(_replaced('"rate_hz": 50', f'"rate_hz": {10**400}', "waveform")),
    "a sequence of 400 digits": raw(_replaced('"seq": 1', f'"seq": {10**400}')),
    "text for a number": raw(_replaced("97.0", '"97"')),
    "a list for an object": raw(_replaced(json.dumps(quantity(97.0, "%")), "[97]")),
    "1970": arrival("numerics", at_s=-START_MS / 1000.0),
    "2099": arrival("numerics", at="2099-01-01T00:00:00Z"),
    "9999": arrival("patient", at="9999-12-31T23:59:59Z"),
    "a day behind": arrival("numerics", at_s=-DAY_S - 1.0),
    "a day ahead": arrival("numerics", at_s=DAY_S + 1.0),
    "retained for over a year": arrival("patient", at_s=-367 * DAY_S),
    "invalid UTF-8": raw(encoded(body("numerics")).replace(b"monitor-1", b"monitor\xff")),
    "a lone surrogate": raw(_replaced("monitor-1", "\\ud800")),
    "100,000 lists": raw(_replaced("97.0", "[" * 100_000)),
    "100,000 objects": raw(b'{"a":' * 100_000),
    "NUL": raw(b"\x00" * 100),
    "only an annotation as unit": arrival("numerics", values={"etco2": quantity(5.0, "{x}")}),
}


def _between_good_ones(bad: Arrival) -> Outcome:
    watch = new_watch()
    arrivals = [
        arrival("numerics", 100, device="good"),
        bad,
        arrival("numerics", 101, after_s=0.01, device="good"),
    ]
    outcome = step_all(watch, arrivals)
    assert [item.message.seq for item in outcome.accepted if item.message.device == "good"] == [
        100,
        101,
    ]
    assert PLACE in watch.state.places
    return outcome


@pytest.mark.parametrize("name", BAD)
def test_refused_with_its_reason_and_kept_whole(name: str) -> None:
    bad = BAD[name]
    outcome = _between_good_ones(bad)
    (refused,) = outcome.refused
    assert refused.arrival == bad
    assert refused.reason
    assert (refused.ward, refused.place) == ("ward-a", "bed-1")
    assert (len(outcome.accepted), outcome.repeats) == (2, 0)


@pytest.mark.parametrize("name", BAD)
def test_a_refusal_is_answered(name: str) -> None:
    bad = BAD[name]
    outcome = _between_good_ones(bad)
    (answer,) = [m for m in outcome.outbox if m.topic.endswith("/rejected")]
    said = json.loads(answer.payload)
    assert answer.topic == "tidewarden/1/service/tidewarden/rejected"
    assert not answer.retain
    assert said["topic"] == bad.topic
    assert said["bytes"] == len(bad.payload)
    assert said["sha256"] == hashlib.sha256(bad.payload).hexdigest()
    assert said["reason"] == outcome.refused[0].reason
    # The answer must not be a way to make the service publish megabytes.
    assert len(answer.payload) < 2000


ODD_BUT_GOOD: dict[str, Arrival] = {
    "NUL in names": arrival("patient", patient="a\x00b", device="d\x00"),
    "a key given twice": raw(_replaced('"seq": 1', '"seq": 1, "seq": 1')),
    "NaN in a key that is not used": raw(_replaced('"seq": 1', '"seq": 1, "x": NaN')),
    "names of other scripts": arrival("patient", patient="Σκύλος 🐢", species="tortue"),
    "almost a day behind": arrival("numerics", at_s=-DAY_S),
    "almost a day ahead": arrival("numerics", at_s=DAY_S),
    "retained for a year": arrival("patient", at_s=-365 * DAY_S),
}


@pytest.mark.parametrize("name", ODD_BUT_GOOD)
def test_odd_but_good(name: str) -> None:
    outcome = _between_good_ones(ODD_BUT_GOOD[name])
    assert (len(outcome.accepted), len(outcome.refused), outcome.repeats) == (3, 0, 0)


@pytest.mark.parametrize(
    "topic",
    ["", "x", "tidewarden/1/w/p/numericz", "tidewarden/1/w/p q/numerics", "tidewarden/2/w/p/power"],
)
def test_a_topic_that_is_not_ours_opens_no_place(topic: str) -> None:
    watch = new_watch()
    outcome = step_all(watch, [Arrival(START_MS, topic, encoded(body("numerics")))])
    assert outcome.refused[0].reason.startswith("topic: ")
    assert (outcome.refused[0].ward, outcome.refused[0].place) == (None, None)
    assert not watch.state.places


def test_a_place_that_is_not_configured_is_refused_and_not_opened() -> None:
    watch = new_watch(places=[PLACE])
    stranger = arrival("numerics", place="ward-a/bed-2")
    outcome = step_all(watch, [arrival("numerics", 1), stranger])
    assert [item.arrival for item in outcome.refused] == [stranger]
    assert "ward-a/bed-2" in outcome.refused[0].reason
    assert "[places]" in outcome.refused[0].reason
    assert list(watch.state.places) == [PLACE]


def test_a_repeat_is_neither_accepted_nor_refused() -> None:
    watch = new_watch()
    outcome = step_all(watch, [arrival("numerics", 1), arrival("numerics", 1, 0.01)])
    assert (len(outcome.accepted), len(outcome.refused), outcome.repeats) == (1, 0, 1)


def test_a_refused_message_does_not_use_up_its_number() -> None:
    # The device may send it again, mended.
    watch = new_watch()
    bad = arrival("numerics", 1, values={"spo2": quantity(97.0, "s")})
    outcome = step_all(watch, [bad, arrival("numerics", 1, 0.01)])
    assert (len(outcome.accepted), len(outcome.refused), outcome.repeats) == (1, 1, 0)


def test_a_place_that_only_sends_what_is_refused_is_noticed() -> None:
    watch = new_watch()
    bad = [
        arrival("numerics", n, 0.5 * n, values={"spo2": quantity(97.0, "s")}) for n in range(1, 5)
    ]
    outcome = step_all(watch, bad, until_s=3.0)
    raised = [event.advisory.rule for _, event, _ in outcome.events if event.kind == "raised"]
    assert "readings-refused" in raised


def test_large_payloads_are_judged_at_once() -> None:
    # 10 MB of brackets and a block of samples beyond reason: no reading of it all, no recursion.
    begun = time.perf_counter()
    step_all(new_watch(), [raw(b"[" * 10_000_000), raw(b'{"samples":[' + b"1," * 4_000_000)])
    assert time.perf_counter() - begun < 2.0
