"""Rates of advisories: floods as ISA-18.2 draws them, the rest against sums done by hand."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.rates import FIGURES, Chatter, Flood, Told, nearest_rank, rates, rates_by

MIN_MS = 60_000
HOUR_MS = 60 * MIN_MS


def told(
    at_s: float,
    rule: str = "r",
    kind: str = "raised",
    *,
    speaks: bool = True,
    priority: str = "low",
    place: str = "ward/bed",
) -> Told:
    return Told(round(1000 * at_s), place, priority, rule, kind, speaks)


def _distinct(count: int, every_s: float) -> list[Told]:
    return [told(every_s * number, f"r{number}") for number in range(count)]


# -- floods: a flood starts with more than 10 in 10 min and ends under 5 (ISA-18.2, from memory) --


def test_a_flood_begins_at_the_eleventh() -> None:
    (flood,) = rates(_distinct(11, 50.0), 0, HOUR_MS).floods
    # The first is 500 s old at the eleventh. They leave from 600 s on, one every 50 s: at 900 s
    # the seventh goes, and four are left.
    assert flood == Flood(begins_ms=500_000, ends_ms=900_000, most=11)


def test_ten_are_no_flood() -> None:
    assert rates(_distinct(10, 50.0), 0, HOUR_MS).floods == []


def test_eleven_in_more_than_ten_minutes_are_no_flood() -> None:
    # The first leaves as the eleventh comes.
    assert rates(_distinct(11, 60.0), 0, HOUR_MS).floods == []
    assert len(rates(_distinct(11, 59.99), 0, HOUR_MS).floods) == 1


def test_a_flood_goes_on_while_five_are_left() -> None:
    more = [told(620.0 + 120.0 * number, f"s{number}") for number in range(20)]
    (flood,) = rates([*_distinct(11, 50.0), *more], 0, HOUR_MS).floods
    # One every 120 s: as one leaves one comes, and five are left until after the last of them.
    assert flood.ends_ms == 1000 * (620 + 120 * 15 + 600)


def test_one_that_speaks_again_and_again_is_no_flood() -> None:
    again = [told(5.0 * number, kind="returned") for number in range(100)]
    assert rates(again, 0, HOUR_MS).floods == []


def test_what_did_not_speak_and_reminders_make_no_flood() -> None:
    silent = [told(10.0 * n, f"r{n}", speaks=False) for n in range(30)]
    reminders = [told(700.0 + 10.0 * n, f"s{n}", "reminded") for n in range(30)]
    assert rates([*silent, *reminders], 0, HOUR_MS).floods == []


def test_what_a_pause_held_back_is_a_flood_when_it_is_let_go() -> None:
    silent = [told(10.0 * n, f"r{n}", speaks=False) for n in range(11)]
    let_go = [told(300.0, f"r{n}", "reminded") for n in range(11)]
    (flood,) = rates([*silent, *let_go], 0, HOUR_MS).floods
    assert (flood.begins_ms, flood.ends_ms) == (300_000, 900_000)


def test_percent_of_time_in_flood() -> None:
    # 400 s of 3600 s.
    assert rates(_distinct(11, 50.0), 0, HOUR_MS).flood_percent == pytest.approx(100 / 9)
    # Cut off at 700 s it has lasted 200 s and is not over.
    cut = rates(_distinct(11, 50.0), 0, 700_000)
    assert cut.floods[0].ends_ms is None
    assert cut.flood_percent == pytest.approx(100 * 200 / 700)


# -- sums by hand -------------------------------------------------------------------------------


def test_mean_and_busiest_ten_minutes() -> None:
    events = [told(60.0, "a"), told(120.0, "b"), told(719.0, "c"), told(3000.0, "d")]
    events += [told(100.0, "e", speaks=False)]
    result = rates(events, 0, HOUR_MS)
    assert (result.raised, result.spoke) == (5, 4)
    assert result.mean_per_10_min == pytest.approx(4 / 6)
    # b at 120 s and c at 719 s lie within 600 s; a at 60 s does not.
    assert (result.most_in_10_min, result.most_until_ms) == (2, 120_000)


def test_a_short_span_is_not_blown_up() -> None:
    assert rates([told(1.0), told(2.0, "b")], 0, MIN_MS).mean_per_10_min == 2.0


def test_shares_by_priority_leave_reminders_out() -> None:
    events = [told(1.0, "a", priority="high")]
    events += [told(2.0, f"m{n}", priority="medium") for n in range(3)]
    events += [told(3.0, f"l{n}", priority="low") for n in range(16)]
    events += [told(90.0, "a", "reminded", priority="high")]
    assert rates(events, 0, HOUR_MS).share_by_priority == {"high": 5.0, "medium": 15.0, "low": 80.0}
    assert rates([], 0, HOUR_MS).share_by_priority == {}


@pytest.mark.parametrize(("gap_s", "chatters"), [(29.9, True), (30.0, False), (31.0, False)])
def test_three_times_within_a_minute_is_chattering(gap_s: float, chatters: bool) -> None:
    kinds = ("raised", "raised", "returned")
    events = [told(gap_s * n, kind=kind) for n, kind in enumerate(kinds)]
    events += [told(gap_s * n + 1.0, kind="cleared", speaks=False) for n in range(3)]
    found = rates(events, 0, HOUR_MS).chattering
    assert found == ([Chatter("ward/bed", "r", 3)] if chatters else [])


def test_two_places_do_not_chatter_together() -> None:
    events = [told(float(n), place=f"ward/bed-{n}") for n in range(3)]
    assert rates(events, 0, HOUR_MS).chattering == []


def test_longest_standing() -> None:
    events = [
        told(10.0, "a"),
        told(70.0, "a", "cleared", speaks=False),
        told(100.0, "b"),
        told(30.0, "before", "cleared", speaks=False),
        told(50.0, "old", "reminded"),
    ]
    longest = rates(events, 0, 1_000_000).longest
    assert [(s.rule, s.lasted_s, s.ends_ms) for s in longest] == [
        ("old", 1000.0, None),
        ("b", 900.0, None),
        ("a", 60.0, 70_000),
        ("before", 30.0, 30_000),
    ]


def test_time_to_acknowledge() -> None:
    waits = [5.0, 10.0, 20.0, 400.0]
    events = [told(1000.0 * n, f"r{n}") for n in range(5)]
    for n, wait_s in enumerate(waits):
        events.append(told(1000.0 * n + wait_s, f"r{n}", "acknowledged", speaks=False))
    events.append(told(4100.0, "r4", "cleared", speaks=False))
    result = rates(events, 0, 2 * HOUR_MS)
    # Nearest rank: the second and the fourth of four.
    assert result.acknowledged == 4
    assert (result.acknowledge_median_s, result.acknowledge_95th_s) == (10.0, 400.0)


def test_explained_it_waits_from_when_it_is_uncovered() -> None:
    events = [
        told(0.0, "a", speaks=False),
        told(100.0, "a", "uncovered"),
        told(130.0, "a", "acknowledged", speaks=False),
        told(200.0, "a", "escalated"),
        told(207.0, "a", "acknowledged", speaks=False),
    ]
    result = rates(events, 0, HOUR_MS)
    assert (result.acknowledge_median_s, result.acknowledge_95th_s) == (7.0, 30.0)


def test_what_spoke_most() -> None:
    events = [told(float(n), "often", "reminded") for n in range(3)] + [told(9.0, "once")]
    assert rates(events, 0, HOUR_MS).spoke_most == [("often", 3), ("once", 1)]


def test_places_and_wards_each_have_their_own() -> None:
    events = [told(1.0, place="a/1"), told(2.0, place="a/2"), told(3.0, place="b/1")]
    by_ward = rates_by(events, 0, HOUR_MS, lambda place: place.partition("/")[0])
    assert {ward: figures.spoke for ward, figures in by_ward.items()} == {"a": 2, "b": 1}


def test_outside_the_span_nothing_counts() -> None:
    events = [told(-1.0, "a"), told(0.0, "b"), told(3600.0, "c")]
    assert rates(events, 0, HOUR_MS).raised == 1
    with pytest.raises(ValueError, match="end after it begins"):
        rates(events, 5, 5)


@pytest.mark.parametrize(
    ("values", "share", "expected"),
    [([], 0.5, None), ([3.0], 0.95, 3.0), ([1.0, 2.0, 3.0], 0.5, 2.0), (range(1, 21), 0.95, 19)],
)
def test_nearest_rank(values: list[float], share: float, expected: float | None) -> None:
    assert nearest_rank(list(values), share) == expected


def test_published_figures_say_where_they_are_from() -> None:
    assert all("EEMUA" in words or "ISA-18.2" in words for words in FIGURES.values())


EVENTS = st.lists(
    st.builds(
        told,
        st.integers(0, 1800).map(float),
        st.sampled_from([f"r{n}" for n in range(16)]),
        st.sampled_from(["raised", "returned", "reminded", "cleared"]),
        speaks=st.booleans(),
    ),
    max_size=60,
)


@given(events=EVENTS)
def test_floods_agree_with_counting_second_by_second(events: list[Told]) -> None:
    to_s = 2600
    floods = rates(events, 0, 1000 * to_s).floods
    ordered = sorted(events, key=lambda event: event.at_ms)
    waiting: set[str] = set()
    anew: list[tuple[int, str]] = []
    for event in ordered:
        if event.kind in ("raised", "returned"):
            waiting.add(event.rule)
        if event.speaks and event.rule in waiting:
            waiting.discard(event.rule)
            anew.append((event.at_ms // 1000, event.rule))
    inside, expected = False, []
    for second in range(to_s):
        count = len({rule for at_s, rule in anew if second - 600 < at_s <= second})
        if not inside and count > 10:
            inside = True
            expected.append([second, None])
        elif inside and count < 5:
            inside = False
            expected[-1][1] = second
    assert [[f.begins_ms // 1000, f.ends_ms and f.ends_ms // 1000] for f in floods] == expected
