"""The story of a case, from a store made by the code that runs live."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from past_bench import PLACE, START_MS, make_store
from sqlite_utils import Database

from adapters.cases.reading import NoCaseError, all_stays
from adapters.cases.story import Case, Entry, read_case
from adapters.sqlite.reading import StoreError, open_for_reading


@pytest.fixture(scope="module")
def db(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    database = open_for_reading(make_store(tmp_path_factory.mktemp("case")))
    yield database
    database.close()


@pytest.fixture(scope="module")
def case(db: Database) -> Case:
    """Of the one who lay there first."""
    return read_case(db, PLACE, START_MS + 60_000)


def _of(case: Case, kind: str) -> list[Entry]:
    return [one for one in case.entries if one.kind == kind]


def test_each_stay_is_a_case_and_the_newest_comes_first(db: Database) -> None:
    found = [(one.place, one.patient, one.ended) for one in all_stays(db)]
    assert found[0] == (PLACE, "Sorrel", False)
    assert sorted(found[1:]) == [
        (PLACE, "Marram", True),
        ("recovery/bay-7", "Pebble", False),
    ]


def test_without_a_time_it_is_the_last_one(db: Database) -> None:
    assert read_case(db, PLACE, None).stay.patient == "Sorrel"


def test_all_is_in_order_and_within_the_stay(case: Case) -> None:
    times = [one.at_ms for one in case.entries]
    assert times == sorted(times)
    assert case.stay.from_ms <= times[0]
    assert times[-1] <= case.stay.to_ms
    assert abs(case.stay.to_ms - (START_MS + 110_500)) < 200


def test_phases_and_settings_are_told_once_each(case: Case) -> None:
    assert [one.what["phase"] for one in _of(case, "phase")] == ["maintenance", "transfer"]
    # The ventilator confirms its settings again and again; nobody changed them.
    (settings,) = _of(case, "settings")
    told = {change["setting"]: change["now"] for change in settings.what["changes"]}
    assert told["mode"] == "controlled"
    assert told["pip_target"] == pytest.approx(10.0)


def test_what_was_advised_seen_and_over(case: Case) -> None:
    story = [
        (one.what["event"], one.what["by"])
        for one in _of(case, "advisory")
        if one.what["rule"] == "airway-narrowing"
    ]
    assert story[0] == ("raised", None)
    assert ("acknowledged", "Wren") in story
    # Another animal was entered: what stood is over, and belongs to the one before.
    assert story[-1][0] == "cleared"


def test_pauses_the_journey_and_the_silence(case: Case) -> None:
    pauses = [(one.what["event"], one.what["by"], one.what["reason"]) for one in _of(case, "pause")]
    assert pauses == [("paused", "Wren", "suction"), ("resumed", "Wren", "done")]
    (journey,) = _of(case, "journey")
    assert (journey.what["to"], journey.what["minutes"]) == ("imaging", 25.0)
    (silence,) = _of(case, "silence")
    assert silence.what["lasted_s"] == pytest.approx(16.0, abs=2.5)


def test_the_hand_over_comes_with_it(case: Case) -> None:
    assert case.handover["from"] == case.entries[0].at
    assert [pause["reason"] for pause in case.handover["pauses"]] == ["suction"]


def test_what_cannot_be_found_is_named(db: Database) -> None:
    with pytest.raises(NoCaseError, match="nobody was entered"):
        read_case(db, PLACE, START_MS - 60_000)
    with pytest.raises(StoreError, match="bay-9"):
        read_case(db, "recovery/bay-9", None)


def test_a_stay_that_another_ended_says_nothing_of_the_next(db: Database) -> None:
    later = read_case(db, PLACE, START_MS + 115_000)
    assert later.stay.patient == "Sorrel"
    assert [one.what["phase"] for one in _of(later, "phase")] == ["induction"]
    assert _of(later, "pause") == []
