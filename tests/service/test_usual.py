"""What is usual is told when it is learnt, and when it has to be learnt anew."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

import pytest
from service_bench import PLACE, START_MS, arrival, hospital_minute, new_watch, quantity, step_all

from service.intake import Arrival
from service.outbound import Outgoing


def _told(outbox: Iterable[Outgoing], place: str = PLACE) -> list[dict[str, Any]]:
    found = [one for one in outbox if one.topic == f"tidewarden/1/{place}/usual"]
    assert all(one.retain for one in found)
    return [json.loads(one.payload)["values"] for one in found]


def test_nothing_is_usual_at_first_and_that_is_told_once() -> None:
    outcome = step_all(new_watch(), [arrival("numerics", 1), arrival("numerics", 2, 1.0)], 3.0)
    (values,) = _told(outcome.outbox)
    assert values == dict.fromkeys(["ti", "slope", "step", "tidal_volume", "etco2"])


def test_each_baseline_is_told_with_its_unit_and_again_when_it_is_learnt_anew() -> None:
    watch, minute = new_watch(), hospital_minute(1)
    place = minute[0].topic.split("/", 2)[2].rpartition("/")[0]
    told = _told(step_all(watch, minute).outbox, place)
    bedside = watch.state.places[place].bedside
    learnt = bedside.pressure_baseline.learnt
    assert told[-1] == {
        "ti": quantity(pytest.approx(learnt["ti"], abs=1e-3), "s"),
        "slope": quantity(pytest.approx(learnt["slope"], abs=1e-2), "cm[H2O]/s"),
        "step": quantity(pytest.approx(learnt["step"], abs=1e-2), "cm[H2O]"),
        "tidal_volume": quantity(pytest.approx(learnt["volume"], abs=1e-2), "mL"),
        "etco2": quantity(pytest.approx(bedside.co2_baseline.learnt["etco2"], abs=0.1), "mm[Hg]"),
    }
    # Nothing in between but what is learnt sooner: pressure and CO2.
    assert len(told) <= 3

    at_s = (minute[-1].received_ms - START_MS) / 1000.0 + 0.1
    known = bedside.settings
    assert known is not None
    assert known.te_set is not None
    raised = arrival(
        "settings", 1, at_s, place=place, device="desk", te_set=quantity(known.te_set + 1.0, "s")
    )
    (after,) = _told(step_all(watch, [raised]).outbox, place)
    assert set(after.values()) == {None}


def test_what_was_told_is_not_told_again_after_a_restart() -> None:
    minute = hospital_minute(1)
    place = minute[0].topic.split("/", 2)[2].rpartition("/")[0]
    watch, again = new_watch(), new_watch()
    step_all(watch, minute)
    again.restore(watch.checkpoint())
    more = Arrival(
        minute[-1].received_ms + 100, f"tidewarden/1/{place}/numerics",
        arrival("numerics", 1, 60.0, device="desk").payload,
    )  # fmt: skip
    assert _told(step_all(again, [more]).outbox, place) == []
