"""What the pages tell of the past: curves that lose no dip and no gap, limits, reasons."""

from __future__ import annotations

import asyncio
import random
from pathlib import Path
from typing import Any

import pytest
from past_bench import PLACE, SECONDS, START_MS, make_store
from sqlite_utils import Database
from store_bench import START_MS as NUMERICS_MS
from store_bench import begin, new_watch, numerics

from adapters.cases.curves import read_curves
from adapters.pages.past import asked
from adapters.pages.past.beside import BusyError, NoAnswerError, TooLongError
from adapters.pages.past.reasons import Reasons
from adapters.pages.past.trends import trends
from adapters.sqlite.history import place_id, read_events
from adapters.sqlite.reading import StoreError, open_for_reading
from adapters.sqlite.store import SqliteStore
from service.cases.advised import advised
from service.cases.thinning import MOST, Point, thinned, with_gaps
from service.glance import Vital

ENDS_MS = START_MS + 1000 * SECONDS


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_store(tmp_path_factory.mktemp("past"))


@pytest.fixture
def db(store: Path) -> Database:
    return open_for_reading(store)


# -- thinning ------------------------------------------------------------------------------------


def _values(points: list[Point]) -> list[float]:
    return [value for _, value in points if value is not None]


@pytest.mark.parametrize("seed", range(5))
def test_a_thinned_curve_keeps_every_dip_and_every_peak(seed: int) -> None:
    drawn = random.Random(seed)
    points: list[Point] = [(1000 * at, drawn.uniform(90.0, 99.0)) for at in range(43_200)]
    dip, peak = drawn.sample(range(43_200), 2)
    points[dip], points[peak] = (1000 * dip, 61.0), (1000 * peak, 100.0)
    kept = thinned(points)
    assert len(kept) <= MOST
    assert (1000 * dip, 61.0) in kept
    assert (1000 * peak, 100.0) in kept
    assert kept == sorted(kept)
    assert set(kept) <= set(points)
    # Of each stretch, not only of the whole.
    for begins in range(0, 43_200, 4_320):
        part = [p for p in points if 1000 * begins <= p[0] < 1000 * (begins + 4_320)]
        mine = [p for p in kept if 1000 * begins <= p[0] < 1000 * (begins + 4_320)]
        assert min(_values(mine)) <= sorted(_values(part))[len(part) // 50]


def test_a_short_curve_stays_as_it_is() -> None:
    points: list[Point] = [(at, float(at)) for at in range(MOST)]
    assert thinned(points) == points


def test_a_gap_is_a_gap_however_much_is_thinned() -> None:
    points: list[Point] = [(1000 * at, 40.0 + at % 7) for at in range(20_000)]
    del points[7_000:7_400]
    points[12_000] = (points[12_000][0], None)
    kept = thinned(with_gaps(points, 10_000))
    breaks = [at for at, value in kept if value is None]
    assert len(breaks) == 2
    before = [at for at, value in kept if value is not None and at < 7_000_000]
    assert before[-1] < breaks[0] < 7_400_000
    assert len(_values(kept)) <= MOST


def test_what_comes_seldom_is_no_gap_before_its_time() -> None:
    points: list[Point] = [(0, 1.0), (10_000, 2.0), (20_001, 3.0)]
    assert with_gaps(points, 10_000) == [(0, 1.0), (10_000, 2.0), (10_001, None), (20_001, 3.0)]


# -- reading -------------------------------------------------------------------------------------


def test_a_dip_of_one_second_in_half_an_hour_is_still_there(tmp_path: Path) -> None:
    opened, watch = begin(SqliteStore(tmp_path)), new_watch()
    arrivals = [numerics(at, 61.0 if at == 1_234 else 97.0 + at % 2) for at in range(1, 1_800)]
    opened.commit(watch.step(arrivals, NUMERICS_MS + 1_800_000), [], None)
    opened.close()
    db = open_for_reading(opened.path)
    row = place_id(db, "recovery/bay-1")
    curves = read_curves(db, row, NUMERICS_MS, NUMERICS_MS + 1_800_000)
    [spo2] = [one for one in curves if one.vital is Vital.SPO2]
    assert len(spo2.points) <= MOST
    assert (NUMERICS_MS + 1_234_000, 61.0) in spo2.points


def _curve(body: dict[str, Any], vital: str, by: str) -> list[Point]:
    [points] = [
        [(at, value) for at, value in one["points"]]
        for one in body["curves"]
        if (one["vital"], one["by"]) == (vital, by)
    ]
    return points


def test_every_curve_is_read_and_a_sensor_that_is_off_leaves_a_gap(db: Database) -> None:
    body = trends(db, PLACE, START_MS, START_MS + 109_000)
    for vital in Vital:
        assert any(one["points"] for one in body["curves"] if one["vital"] == vital.value), vital
    spo2 = _curve(body, "spo2", "monitor")
    known = [at - START_MS for at, value in spo2 if value is not None]
    assert not [at for at in known if 61_000 < at < 79_000 or 86_000 < at < 99_000]
    # Nobody said that there is no value while the device was silent: the curve breaks all the same.
    etco2 = _curve(body, "etco2", "monitor")
    assert [at for at, value in etco2 if value is None and 83_000 < at - START_MS < 100_000]
    volume = [value for _, value in _curve(body, "tidal_volume", "breath") if value is not None]
    assert max(volume) > 20.0
    assert min(volume) < 12.0, "the kinked tube is not seen"


def test_only_what_is_new_is_read_again(db: Database) -> None:
    whole = trends(db, PLACE, START_MS, ENDS_MS - 21_000)
    after_ms = START_MS + 100_000
    new = trends(db, PLACE, START_MS, ENDS_MS - 21_000, after_ms)
    assert new["read_from_ms"] == after_ms - 90_000
    for one, other in zip(whole["curves"], new["curves"], strict=True):
        later = [p for p in one["points"] if p[0] > new["read_from_ms"]]
        assert [p for p in other["points"] if p[1] is not None] == [
            p for p in later if p[1] is not None
        ]


def test_the_curves_begin_with_the_patient_who_lies_there(db: Database) -> None:
    body = trends(db, PLACE, START_MS, ENDS_MS)
    assert body["patient"]["patient"] == "Sorrel"
    assert body["from_ms"] == START_MS + 110_500
    assert min(at for one in body["curves"] for at, _ in one["points"]) > START_MS + 110_500


def test_limits_are_those_of_the_patient_in_each_phase(db: Database) -> None:
    body = trends(db, PLACE, START_MS, START_MS + 109_000)
    [first, then] = [one for one in body["limits"] if one["name"] == "spo2_low"]
    assert then["from_ms"] == first["to_ms"]
    assert 50_000 <= then["from_ms"] - START_MS < 51_000
    assert first["value"] == 95.0
    # A rabbit has no low limit of end-tidal CO2: no line is drawn where there is none.
    assert not [one for one in body["limits"] if one["name"] == "etco2_low"]


def test_an_advisory_is_told_from_raised_to_cleared_with_who_saw_it(db: Database) -> None:
    found = advised(read_events(db, PLACE, START_MS, ENDS_MS))
    one = next(each for each in found if each.body["rule"] == "airway-narrowing")
    events = [(change["event"], change["by"]) for change in one.changes]
    assert events[0] == ("raised", None)
    assert ("acknowledged", "Wren") in events
    assert 38_000 < one.spans[0][0] - START_MS < 50_000
    body = trends(db, PLACE, START_MS, START_MS + 109_000)
    told = next(each for each in body["advisories"] if each["rule"] == "airway-narrowing")
    assert told["spans"] == [(one.spans[0][0], None)], "it was not over yet"
    assert told["acknowledged_by"] == "Wren"
    # With the next patient all that stood of this one is over.
    assert events[-1] == ("cleared", None)
    assert one.spans[-1][1] == START_MS + 110_550
    assert not one.stands


def test_an_advisory_that_comes_back_has_two_spans() -> None:
    def event(kind: str, second: int, state: str = "raised") -> dict[str, Any]:
        at = f"2026-11-25T13:00:{second:02d}.000Z"
        return {"id": "a", "event": kind, "at": at, "state": state, "priority": "high",
                "outranked_by": None}  # fmt: skip

    [one] = advised(
        [event("raised", 1), event("reminded", 2), event("cleared", 5, "cleared"),
         event("returned", 9)]
    )  # fmt: skip
    assert [None if ends is None else ends - begins for begins, ends in one.spans] == [4000, None]
    assert one.stands


def test_a_place_that_is_not_known_is_said(db: Database) -> None:
    with pytest.raises(StoreError, match=r"no place 'recovery/bay-9'.*recovery/bay-2"):
        trends(db, "recovery/bay-9", START_MS, ENDS_MS)


@pytest.mark.parametrize(
    ("field", "query"),
    [("hours", {"hours": "3"}), ("hours", {"hours": "1e9"}), ("to", {"to": "yesterday"}),
     ("after", {"after": "-5"}), ("after", {"after": "9" * 40})],
)  # fmt: skip
def test_what_cannot_be_asked_is_refused_by_name(field: str, query: dict[str, str]) -> None:
    with pytest.raises(asked.AskedError, match=f"^{field}: "):
        asked.hours(query), asked.instant(query, "to"), asked.number(query, "after")


# -- why -----------------------------------------------------------------------------------------


def test_the_answer_is_that_of_the_command(store: Path) -> None:
    body = asyncio.run(Reasons(store).ask(PLACE, "airway-narrowing", "55s"))
    assert body["patient"].startswith("Marram, rabbit")
    [rule] = body["rules"]
    assert rule["state"] == "stands"
    assert rule["would_have_to_change"][0]["margin_words"].endswith("short")


def test_what_the_command_refuses_is_told_in_its_words(store: Path) -> None:
    with pytest.raises(NoAnswerError, match=r'^"etco2-hihg" is not a rule.*etco2-high'):
        asyncio.run(Reasons(store).ask(PLACE, "etco2-hihg", None))
    with pytest.raises(NoAnswerError, match=r"^at .*outside what the store holds"):
        asyncio.run(Reasons(store).ask(PLACE, None, "5000s"))


def test_one_question_at_a_time_and_none_for_ever(store: Path) -> None:
    reasons = Reasons(store, limit_s=0.01)

    async def two() -> list[Any]:
        asked_ = [reasons.ask(PLACE, None, None), reasons.ask(PLACE, None, None)]
        return await asyncio.gather(*asked_, return_exceptions=True)

    first, second = asyncio.run(two())
    assert isinstance(first, TooLongError)
    assert isinstance(second, BusyError)
