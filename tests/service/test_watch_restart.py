"""Starting again: what is taken up, what is refused, and the grace that silent places get."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from advisory_bench import above, rule, rule_set
from service_bench import (
    PLACE,
    START_MS,
    arrival,
    hospital_minute,
    library_rules,
    new_watch,
    quantity,
    step_all,
)

from service.watch import CYCLE_MS, GRACE_MS, Outcome, Watch


def raised(outcome: Outcome) -> list[str]:
    """Rules raised, in order."""
    return [event.advisory.rule for _, event, _ in outcome.events if event.kind == "raised"]


def _heard_until(seconds: int) -> Watch:
    watch = new_watch()
    step_all(watch, [arrival("numerics", n, float(n)) for n in range(seconds + 1)])
    return watch


def test_silence_is_noticed_while_the_service_runs() -> None:
    watch = _heard_until(5)
    step_all(watch, [arrival("request", 1, 8.0, device="page")])
    assert "readings-stopped" not in raised(step_all(watch, [], until_s=14.9))
    # A place is looked at every second even when nothing arrives.
    assert "readings-stopped" in raised(step_all(watch, [], until_s=16.2))


def test_after_a_pause_a_silent_place_gets_a_grace() -> None:
    watch = _heard_until(5)
    resumed = watch.resume(START_MS + 300_000)
    assert resumed.resumed_ms == START_MS + 300_000
    grace_s = GRACE_MS / 1000.0
    assert raised(step_all(watch, [], until_s=300.0 + grace_s - 1.0)) == []
    assert "readings-stopped" in raised(step_all(watch, [], until_s=300.0 + grace_s + 1.0))


def test_a_place_that_speaks_within_the_grace_was_never_silent() -> None:
    watch = _heard_until(5)
    watch.resume(START_MS + 300_000)
    again = [arrival("numerics", 100 + n, 300.5 + n) for n in range(12)]
    assert "readings-stopped" not in raised(step_all(watch, again, until_s=312.0))


def test_time_does_not_run_back_at_a_restart() -> None:
    watch = _heard_until(5)
    reached_ms = watch.state.reached_ms
    watch.resume(START_MS)
    assert watch.state.reached_ms == reached_ms


def test_a_resumed_watch_takes_up_at_a_whole_cycle() -> None:
    watch = _heard_until(5)
    watch.resume(START_MS + 300_017)
    assert watch.state.reached_ms % CYCLE_MS == 0
    assert watch.state.reached_ms <= START_MS + 300_017


def test_a_state_of_another_format_is_refused() -> None:
    watch = _heard_until(5)
    state = json.loads(watch.checkpoint())
    state["format"] += 1
    with pytest.raises(ValueError, match="format"):
        new_watch().restore(json.dumps(state).encode())


@pytest.mark.parametrize("written", [b"", b"{", b"[]", b'{"format": 1, "places": 5}', b"\xff"])
def test_a_state_that_cannot_be_read_is_refused(written: bytes) -> None:
    watch = new_watch()
    before = watch.checkpoint()
    with pytest.raises(ValueError, match=r".+"):
        watch.restore(written)
    assert watch.checkpoint() == before


def test_repeats_are_known_after_a_restart() -> None:
    watch = _heard_until(5)
    second = new_watch()
    second.restore(watch.checkpoint())
    outcome = step_all(second, [arrival("numerics", 5, 6.0), arrival("numerics", 6, 6.1)])
    assert (outcome.repeats, len(outcome.accepted)) == (1, 1)
    assert outcome.accepted[0].number == 7


def test_taken_up_with_other_rules_what_they_do_not_know_is_cleared() -> None:
    watch = new_watch()
    low = {"spo2": quantity(70.0, "%")}
    step_all(watch, [arrival("numerics", n, float(n), values=low) for n in range(60)])
    stood = {advisory.rule for advisory in watch.state.places[PLACE].book.standing()}
    assert "spo2-low" in stood
    other = new_watch(rule_set(rule("co2-high", above("etco2", 55.0))))
    other.restore(watch.checkpoint())
    outcome = step_all(other, [arrival("numerics", 60, 60.0)], until_s=62.0)
    cleared = {event.advisory.rule for _, event, _ in outcome.events if event.kind == "cleared"}
    assert cleared == stood
    assert other.state.places[PLACE].book.standing() == []


def test_the_state_of_a_place_does_not_grow_with_time() -> None:
    minute = hospital_minute(places=2)
    watch = new_watch()
    sizes = []
    for number in range(6):
        later = [
            replace(
                a, received_ms=a.received_ms + 60_000 * number, payload=_later(a.payload, number)
            )
            for a in minute
        ]
        watch.step(later, START_MS + 60_000 * (number + 1) + 1000)
        sizes.append(len(watch.checkpoint()))
    # Without a bound the state of six minutes would be some times that of two.
    assert max(sizes[2:]) < 1.3 * sizes[1]


def _later(payload: bytes, minutes: int) -> bytes:
    message = json.loads(payload)
    hour_and_minute = message["at"][14:16]
    moved = f"{int(hour_and_minute) + minutes:02d}"
    message["at"] = message["at"][:14] + moved + message["at"][16:]
    message["epoch"] = f"{message['epoch']}-{minutes}"
    return json.dumps(message).encode()


def test_the_library_rules_are_those_of_the_checkpoint() -> None:
    watch = _heard_until(1)
    assert json.loads(watch.checkpoint())["rules_sha256"] == library_rules().sha256
