"""A person's request is answered, and an acknowledged advisory stands on as acknowledged."""

from __future__ import annotations

import json
from typing import Any

from advisory_bench import rule, rule_set
from service_bench import PLACE, START_MS, arrival, new_watch, quantity, step_all

from service.instants import to_text
from service.watch import Outcome, Watch


def _with_advisory(**changes: Any) -> tuple[Watch, str]:
    """A watch with one standing advisory, and its id."""
    watch = new_watch(rule_set(rule(**changes)))
    step_all(watch, [arrival("numerics", 1, values={"spo2": quantity(80.0, "%")})])
    (advisory,) = watch.state.places[PLACE].book.standing()
    return watch, advisory.id


def _ask(watch: Watch, seq: int, after_s: float, **changes: Any) -> Outcome:
    asked = arrival("request", seq, after_s, device="page", **changes)
    return step_all(watch, [asked])


def _bodies(outcome: Outcome, kind: str) -> list[dict[str, Any]]:
    topic = f"tidewarden/1/{PLACE}/{kind}"
    return [json.loads(m.payload) for m in outcome.outbox if m.topic == topic]


def test_acknowledged_and_answered() -> None:
    watch, identity = _with_advisory()
    outcome = _ask(watch, 1, 3.0, target=identity, id="r-7", by="nurse")
    (reply,) = _bodies(outcome, "reply")
    assert (reply["request"], reply["done"], reply["reason"]) == ("r-7", True, None)
    (event,) = _bodies(outcome, "advisory")
    assert (event["event"], event["by"], event["state"]) == (
        "acknowledged",
        "nurse",
        "acknowledged",
    )
    assert event["acknowledged_at"] == to_text(START_MS + 3050)
    (standing,) = _bodies(outcome, "standing")
    assert [item["state"] for item in standing["standing"]] == ["acknowledged"]


def test_twice_is_told_and_changes_nothing() -> None:
    watch, identity = _with_advisory()
    _ask(watch, 1, 3.0, target=identity, by="nurse")
    outcome = _ask(watch, 2, 4.0, target=identity, by="vet")
    (reply,) = _bodies(outcome, "reply")
    assert (reply["done"], reply["reason"]) == (False, "already acknowledged by nurse")
    assert outcome.events == []


def test_what_does_not_stand_is_told() -> None:
    watch, _ = _with_advisory()
    for seq, target in enumerate(("0" * 16, None), start=1):
        outcome = _ask(watch, seq, 3.0 + seq, target=target)
        (reply,) = _bodies(outcome, "reply")
        assert not reply["done"]
        assert "no advisory with id" in reply["reason"]


def test_the_advisory_of_another_place_is_out_of_reach() -> None:
    watch, identity = _with_advisory()
    outcome = _ask(watch, 1, 3.0, target=identity, place="ward-a/bed-2")
    assert outcome.events == []
    assert watch.state.places[PLACE].book.standing()[0].state == "raised"


def test_an_action_that_is_not_known_is_told() -> None:
    watch, identity = _with_advisory()
    (reply,) = _bodies(_ask(watch, 1, 3.0, target=identity, action="sing"), "reply")
    assert not reply["done"]
    assert "'sing'" in reply["reason"]


def test_raised_and_acknowledged_in_one_cycle() -> None:
    # The page may answer faster than a cycle: the request is worked on after the readings.
    watch, identity = _with_advisory(again_s=0.0)
    step_all(watch, [arrival("numerics", 2, 1.0, values={"spo2": quantity(97.0, "%")})])
    low = arrival("numerics", 3, 2.0, values={"spo2": quantity(80.0, "%")})
    asked = arrival("request", 1, 2.01, device="page", target=identity)
    outcome = step_all(watch, [low, asked])
    assert [event.kind for _, event, _ in outcome.events] == ["raised"]
    assert not _bodies(outcome, "reply")[0]["done"]


def test_standing_is_retained_and_tells_when_nothing_stands_any_more() -> None:
    watch, _ = _with_advisory()
    outcome = step_all(watch, [arrival("numerics", 2, 1.0, values={"spo2": quantity(97.0, "%")})])
    (message,) = [m for m in outcome.outbox if m.topic.endswith("/standing")]
    assert message.retain
    assert json.loads(message.payload)["standing"] == []


def test_every_message_out_says_that_it_is_decision_support_only() -> None:
    watch = new_watch(rule_set(rule()))
    low = arrival("numerics", 1, values={"spo2": quantity(80.0, "%")})
    outcome = step_all(watch, [low])
    for kind in ("advisory", "standing"):
        for body in _bodies(outcome, kind):
            assert body["notice"].startswith("Decision support only.")


def test_a_note_is_answered_and_changes_nothing() -> None:
    watch, _ = _with_advisory()
    outcome = _ask(watch, 1, 3.0, action="note", reason="tube turned", by="nurse")
    (reply,) = _bodies(outcome, "reply")
    assert (reply["done"], reply["reason"]) == (True, None)
    assert (outcome.events, outcome.pauses, _bodies(outcome, "standing")) == ([], [], [])


def test_a_note_without_words_is_refused() -> None:
    watch, _ = _with_advisory()
    for seq, reason in enumerate((None, "", "   "), start=1):
        (reply,) = _bodies(_ask(watch, seq, 3.0 + seq, action="note", reason=reason), "reply")
        assert (reply["done"], reply["reason"]) == (False, "reason: write what is to be noted")
