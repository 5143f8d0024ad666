"""Two streams of advisory events held against each other."""

from __future__ import annotations

from typing import Any

import pytest
from service_bench import START_MS

from service.episodes import SAME_MS, Pairing, episodes, paired, tallies, within
from service.instants import to_text


def _event(kind: str, after_s: float, number: int = 1, **changes: Any) -> dict[str, Any]:
    at = to_text(START_MS + round(1000 * after_s))
    return {
        "event": kind, "at": at, "id": f"{number:016x}", "ward": "w", "place": "p",
        "patient": "Skerry", "rule": "low", "priority": "medium", "raised_at": at, "says": "Low.",
        **changes,
    }  # fmt: skip


def _spell(begins_s: float, ends_s: float | None, number: int = 1, **changes: Any) -> list[dict]:
    """The events of one advisory."""
    events = [_event("raised", begins_s, number, **changes)]
    if ends_s is not None:
        raised_at = events[0]["raised_at"]
        events.append(_event("cleared", ends_s, number, **{**changes, "raised_at": raised_at}))
    return events


def _held(before: list[dict], after: list[dict]) -> list[Pairing]:
    return paired(episodes(before), episodes(after))


def test_a_stream_against_itself_is_all_the_same() -> None:
    events = _spell(0, 10, 1) + _spell(20, None, 2) + _spell(5, 8, 3, rule="other")
    assert {p.verdict for p in _held(events, events)} == {"same"}
    assert len(_held(events, events)) == 3


@pytest.mark.parametrize(
    ("begins_s", "ends_s", "verdict", "shift_ms"),
    [
        (0.0, 10.0, "same", 0), (SAME_MS / 1000, 10.0, "same", SAME_MS), (3.0, 30.0, "later", 3000),
        (-4.0, 2.0, "earlier", -4000), (3.0, None, "later", 3000),
    ],
)  # fmt: skip
def test_earlier_and_later(
    begins_s: float, ends_s: float | None, verdict: str, shift_ms: int
) -> None:
    (pairing,) = _held(_spell(0, 10), _spell(begins_s, ends_s, 2))
    assert (pairing.verdict, pairing.shift_ms) == (verdict, shift_ms)


def test_what_does_not_overlap_does_not_belong_together() -> None:
    found = _held(_spell(0, 10), _spell(11, 20, 2))
    assert [p.verdict for p in found] == ["gone", "new"]


@pytest.mark.parametrize("changes", [{"patient": "Tern"}, {"place": "q"}, {"rule": "other"}])
def test_nor_what_is_of_another_patient_place_or_rule(changes: dict[str, str]) -> None:
    found = _held(_spell(0, 10), _spell(0, 10, 2, **changes))
    assert {p.verdict for p in found} == {"gone", "new"}


def test_a_rule_that_only_one_set_has_takes_the_place_of_another() -> None:
    before = episodes(_spell(0, 10))
    after = episodes(_spell(4, 12, 2, rule="renamed") + _spell(5, 12, 3, rule="other"))
    assert [p.verdict for p in paired(before, after)] == ["gone", "new", "new"]
    replaced = {"low", "renamed"}
    found = paired(before, after, replaced)
    assert [(p.verdict, p.shift_ms) for p in found] == [("other rule", 4000), ("new", 0)]
    counts = {t.rule: (t.before, t.after, t.counts["other rule"]) for t in tallies(found)}
    assert counts == {"low": (1, 0, 1), "renamed": (0, 1, 1), "other": (0, 1, 0)}
    # A rule that both sets have is gone or new, whatever else was told meanwhile.
    assert [p.verdict for p in paired(before, after, {"renamed"})] == ["gone", "new", "new"]


@pytest.mark.parametrize(
    "changes", [{"priority": "high"}, {"place": "q"}, {"patient": "Tern"}, {"at": 11}]
)
def test_but_not_of_another_priority_place_patient_or_time(changes: dict[str, Any]) -> None:
    begins_s = changes.get("at", 0)
    named = {key: value for key, value in changes.items() if key != "at"}
    after = episodes(_spell(begins_s, 20, 2, rule="renamed", **named))
    found = paired(episodes(_spell(0, 10)), after, {"low", "renamed"})
    assert {p.verdict for p in found} == {"gone", "new"}


def test_each_belongs_to_one_only() -> None:
    # One long advisory here, come and gone twice there.
    found = _held(_spell(0, 100), _spell(0, 10, 2) + _spell(50, 60, 3))
    assert [p.verdict for p in found] == ["same", "new"]


def test_another_priority_is_told() -> None:
    (pairing,) = _held(_spell(0, 10), _spell(0, 10, priority="high"))
    assert pairing.verdict == "other priority"


def test_the_tally_of_a_rule() -> None:
    before = _spell(0, 10, 1) + _spell(100, 110, 2) + _spell(200, 210, 3)
    after = _spell(4, 10, 1) + _spell(102, 110, 2) + _spell(300, 310, 4)
    (tally,) = tallies(_held(before, after))
    assert (tally.rule, tally.before, tally.after, tally.shift_s) == ("low", 3, 3, 3.0)
    assert tally.counts["later"] == 2
    assert (tally.counts["gone"], tally.counts["new"]) == (1, 1)


def test_what_stood_within_a_time() -> None:
    found = episodes(_spell(0, 10, 1) + _spell(15, None, 2) + _spell(40, 50, 3))
    inside = within(found, START_MS + 10_000, START_MS + 40_000)
    assert [e.raised_ms - START_MS for e in inside] == [15_000]


def test_a_pairing_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="nothing"):
        _ = Pairing(None, None).rule
