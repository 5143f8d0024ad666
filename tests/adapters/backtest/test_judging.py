"""Right, false, not known; noticed, how soon: counted by hand on a small night."""

from __future__ import annotations

import pytest

from adapters.backtest.judging import Night, Spoken, judge, spoken_of
from adapters.backtest.labels import LabelError, Labels, read_labels
from adapters.backtest.watching import Event
from adapters.evaluation.truth_kinds import CRITERIA, Kind
from service.instants import from_text

BEGINS_MS = from_text("2026-03-02T14:00:00Z")
PLACE = "recovery/box-3"
#: An hour of one place; the other was heard for its first half.
NIGHT = Night(
    "night.jsonl",
    BEGINS_MS,
    BEGINS_MS + 3_600_000,
    {
        PLACE: [(BEGINS_MS // 10_000, BEGINS_MS // 10_000 + 359)],
        "recovery/box-4": [(BEGINS_MS // 10_000, BEGINS_MS // 10_000 + 179)],
    },
)
KINDS = {
    "tube-off": frozenset({Kind.DISCONNECTED}),
    "leaking": frozenset({Kind.LEAK}),
    "cold": frozenset({Kind.COLD}),
}
GRACE_S = CRITERIA[Kind.LEAK].grace_s


def _labels(text: str) -> Labels:
    found = read_labels("night.labels.yaml", f"by: test\nright_to_within: 5 s\n{text}", [])
    assert found is not None
    return found


OFF = f"""\
happened:
  - what: disconnected
    place: {PLACE}
    from: 100 s
    to: 160 s
    tell_by: 104 s
    urgent: true
"""


def _said(
    rule: str, at_s: float, *, to_s: float | None = None, place: str = PLACE, high: bool = True
) -> Spoken:
    at_ms = BEGINS_MS + round(1000 * at_s)
    cleared_ms = None if to_s is None else BEGINS_MS + round(1000 * to_s)
    return Spoken(place, rule, "high" if high else "low", at_ms, at_ms, "says", cleared_ms)


@pytest.mark.parametrize(
    ("one", "complete", "expected"),
    [
        (_said("tube-off", 110.0), True, ("right", "disconnected", True)),
        # A disconnection brings a leak with it.
        (_said("leaking", 110.0), False, ("right", "leak", False)),
        (_said("cold", 110.0), True, ("false", None, True)),
        (_said("cold", 110.0), False, ("not known", None, False)),
        (_said("tube-off", 110.0, place="recovery/box-4"), True, ("false", None, True)),
        # Times are right to 5 s, and a condition may be told so long after it.
        (_said("tube-off", 95.0), True, ("right", "disconnected", True)),
        (_said("tube-off", 94.9), True, ("false", None, True)),
        (_said("leaking", 165.0 + GRACE_S), True, ("right", "leak", True)),
        (_said("leaking", 165.1 + GRACE_S), True, ("false", None, True)),
    ],
)
def test_an_advisory_is_right_false_or_nobody_knows(
    one: Spoken, complete: bool, expected: tuple[str, str | None, bool]
) -> None:
    labels = _labels(f"{OFF}complete: {str(complete).lower()}\n")
    [judged] = judge(NIGHT, [one], labels, KINDS).judged
    assert (judged.judgement, judged.kind, judged.counted) == expected


def test_without_labels_nobody_knows() -> None:
    verdict = judge(NIGHT, [_said("cold", 10.0)], None, {})
    assert [one.judgement for one in verdict.judged] == ["not known"]
    assert (verdict.episodes, verdict.known_h) == ((), 0.0)


def test_the_delay_counts_from_when_it_was_due() -> None:
    said = [_said("leaking", 108.0, high=False), _said("tube-off", 112.5)]
    [episode] = judge(NIGHT, said, _labels(OFF), KINDS).episodes
    assert episode.noticed_by == "leaking"
    assert episode.delay_s == 4.0
    assert episode.named_ms == BEGINS_MS + 112_500
    assert episode.urgent_ms == BEGINS_MS + 112_500


def test_what_stood_already_told_it_and_what_was_over_did_not() -> None:
    [stood] = judge(NIGHT, [_said("leaking", 20.0, to_s=130.0)], _labels(OFF), KINDS).episodes
    assert stood.delay_s == 0.0
    [over] = judge(NIGHT, [_said("leaking", 20.0, to_s=60.0)], _labels(OFF), KINDS).episodes
    assert over.noticed_ms is None
    [elsewhere] = judge(
        NIGHT, [_said("leaking", 110.0, place="recovery/box-4")], _labels(OFF), KINDS
    ).episodes
    assert elsewhere.noticed_ms is None


def test_the_hours_in_which_all_is_known_are_those_that_were_heard() -> None:
    assert NIGHT.patient_hours == pytest.approx(1.5)
    assert judge(NIGHT, [], _labels("complete: true\n"), KINDS).known_h == pytest.approx(1.5)
    stretch = f"complete:\n  - {{place: {PLACE}, from: 5 min, to: 20 min}}\n"
    assert judge(NIGHT, [], _labels(stretch), KINDS).known_h == pytest.approx(0.25)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("happened:\n  - {what: leak, from: 5 s}\n", "says nothing of the place"),
        ("happened:\n  - {what: leak, from: 5 s, place: recovery/box-9}\n", "did you mean"),
        (f"happened:\n  - {{what: leak, from: 2 h, place: {PLACE}}}\n", "ends before it begins"),
        (
            f"happened:\n  - {{what: leak, from: 2 h, to: 3 h, place: {PLACE}}}\n",
            "nothing was recorded then in night.jsonl",
        ),
    ],
)
def test_labels_of_another_night_are_refused(text: str, says: str) -> None:
    with pytest.raises(LabelError, match=says) as error:
        judge(NIGHT, [], _labels(text), KINDS)
    assert error.value.problems[0].line == 4


def _event(at_s: float, kind: str, *, speaks: bool, id_: str = "a") -> Event:
    at_ms = BEGINS_MS + round(1000 * at_s)
    return Event(at_ms, kind, id_, PLACE, None, "leaking", "low", speaks, BEGINS_MS, "says")


@pytest.mark.parametrize(
    ("events", "times_s"),
    [
        ([("raised", True), ("reminded", True), ("cleared", False)], [0.0]),
        # Explained by something else at first: it speaks when it comes to the front, and once.
        (
            [("raised", False), ("uncovered", True), ("outranked", False), ("uncovered", True)],
            [1.0],
        ),
        ([("raised", True), ("cleared", False), ("returned", True)], [0.0, 2.0]),
        ([("raised", True), ("escalated", True)], [0.0, 1.0]),
        # A pause kept it from speaking: what is called a reminder is the first that is heard.
        ([("raised", False), ("reminded", True), ("reminded", True)], [1.0]),
        ([("raised", False), ("cleared", False)], []),
    ],
)
def test_what_asks_anew_counts_and_a_reminder_does_not(
    events: list[tuple[str, bool]], times_s: list[float]
) -> None:
    told = [_event(at, kind, speaks=speaks) for at, (kind, speaks) in enumerate(events)]
    assert [(one.spoken_ms - BEGINS_MS) / 1000.0 for one in spoken_of(told)] == times_s
