"""How each rule fares, against sums done by hand."""

from __future__ import annotations

from service.rates import Told
from service.rule_rates import BRIEF_MS, rule_rates


def _told(
    at_s: float, kind: str, rule: str = "r", *, speaks: bool = False, place: str = "w/a"
) -> Told:
    return Told(round(1000 * at_s), place, "low", rule, kind, speaks)


def test_brief_is_what_was_over_within_a_minute_and_nobody_had_acknowledged() -> None:
    events = [
        _told(0, "raised", speaks=True), _told(60, "cleared"),
        _told(100, "returned"), _told(160.001, "cleared"),
        _told(300, "returned"), _told(310, "acknowledged"), _told(320, "cleared"),
        _told(400, "returned"),
    ]  # fmt: skip
    (rate,) = rule_rates(events)
    assert BRIEF_MS == 60_000
    assert (rate.came, rate.spoke, rate.brief, rate.acknowledged) == (4, 1, 1, 1)
    assert rate.lasted_median_s == 60.0
    assert not rate.chattering


def test_what_latches_is_over_when_its_reason_is() -> None:
    events = [_told(0, "raised"), _told(5, "ended"), _told(500, "acknowledged")]
    (rate,) = rule_rates([*events, _told(500, "cleared")])
    # Somebody saw it in the end: that it was short cries no wolf.
    assert (rate.brief, rate.lasted_median_s) == (0, 5.0)


def test_places_are_told_apart() -> None:
    events = [_told(0, "raised"), _told(1, "raised", place="w/b"), _told(2, "acknowledged")]
    (rate,) = rule_rates([*events, _told(50, "cleared", place="w/b")])
    assert (rate.came, rate.brief, rate.acknowledged, rate.lasted_median_s) == (2, 1, 1, 49.0)


def test_chattering_is_three_times_within_a_minute_at_one_place() -> None:
    at_one = [_told(at, kind) for at in (0, 20, 40) for kind in ("raised", "cleared")]
    assert rule_rates(at_one)[0].chattering
    apart = [_told(at, "raised", place=f"w/{at}") for at in (0, 20, 40)]
    assert not rule_rates(apart)[0].chattering


def test_what_began_before_the_span_is_not_counted_as_coming() -> None:
    (rate,) = rule_rates([_told(0, "reminded", speaks=True), _told(1, "cleared")])
    assert (rate.came, rate.spoke, rate.brief, rate.lasted_median_s) == (0, 1, 0, None)


def test_those_that_cry_wolf_come_first() -> None:
    spoke = [_told(at, "reminded", "spoke", speaks=True) for at in range(9)]
    wolf = [_told(0, "raised", "wolf", speaks=True), _told(1, "cleared", "wolf")]
    quiet = [_told(0, "raised", "quiet")]
    assert [r.rule for r in rule_rates([*quiet, *spoke, *wolf])] == ["wolf", "spoke", "quiet"]
