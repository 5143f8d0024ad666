"""What a card shows, who comes first, and what is said when nothing is known any more."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.glance import Card, Seen, Vital, card_of, in_order
from service.glance.card import LATE_MS, SILENT_MS, freshness
from service.glance.vitals import OLD_MS, direction_of, that_matter
from service.instants import from_text, to_text
from service.messages import parse

NOW_MS = from_text("2026-11-25T13:10:00Z")


def _sent(kind: str, at_ms: int, **rest: Any) -> Any:
    body = {"schema": 1, "device": "m:1", "epoch": "e", "seq": 1, "at": to_text(at_ms), **rest}
    return parse(kind, json.dumps(body).encode())


def _numerics(at_ms: int, **values: float | None) -> Any:
    units = {"etco2": "mm[Hg]", "spo2": "%", "rr": "/min", "temperature": "Cel"}
    return _sent(
        "numerics",
        at_ms,
        values={
            name: {"value": None, "status": "sensor-off"}
            if value is None
            else {"value": value, "unit": units[name]}
            for name, value in values.items()
        },
    )


def _patient(at_ms: int, name: str = "A7", phase: str = "maintenance") -> Any:
    mass = {"value": 410.0, "unit": "g"}
    return _sent(
        "patient",
        at_ms,
        patient=name,
        species="hedgehog",
        mass=mass,
        phase=phase,
        **{"class": "mammal"},
    )


def _advisory(
    rule: str = "leak-growing",
    priority: str = "medium",
    *,
    since_ms: int = NOW_MS - 60_000,
    fact: str = "ti.ratio_to_baseline",
    by: str | None = None,
) -> dict[str, Any]:
    return {
        "id": f"id-{rule}",
        "rule": rule,
        "priority": priority,
        "state": "raised" if by is None else "acknowledged",
        "acknowledged_by": by,
        "patient": None,
        "title": "title",
        "says": "says",
        "look_at": ["first look", "second look"],
        "raised_at": to_text(since_ms),
        "returned_at": None,
        "outranked_by": None,
        "evidence": [{"fact": fact}],
    }


def _card(
    *standing: dict[str, Any], name: str = "ward/a", age_ms: int = 500, now_ms: int = NOW_MS
) -> Card:
    seen = Seen(name)
    seen.take(_numerics(now_ms - age_ms, etco2=41.0, spo2=98.0), now_ms - age_ms)
    seen.take_standing({"standing": list(standing), "problems": [], "paused": None}, NOW_MS)
    return card_of(seen, now_ms)


def test_a_card_says_who_it_is_and_what_is_wrong() -> None:
    seen = Seen("ward/a")
    seen.take(_patient(NOW_MS), NOW_MS)
    seen.take_standing(
        {"standing": [_advisory()], "problems": [{"look": "look at the cuff"}]}, NOW_MS
    )
    card = card_of(seen, NOW_MS)
    assert (card.patient, card.species, card.phase) == ("A7", "hedgehog", "maintenance")
    assert card.mass_kg == pytest.approx(0.41)
    assert card.first is not None
    assert (card.first.says, card.first.since_ms) == ("says", NOW_MS - 60_000)
    assert card.look == "look at the cuff"
    seen.take_standing({"standing": [_advisory()], "problems": []}, NOW_MS)
    assert card_of(seen, NOW_MS).look == "first look"


@pytest.mark.parametrize(
    ("age_ms", "expected"),
    [(0, "fresh"), (LATE_MS, "fresh"), (LATE_MS + 1, "late"), (SILENT_MS, "late"),
     (SILENT_MS + 1, "silent"), (-5_000, "fresh")],
)  # fmt: skip
def test_what_is_old_never_looks_fresh(age_ms: int, expected: str) -> None:
    assert freshness(NOW_MS - age_ms, NOW_MS) == expected


def test_of_a_place_that_never_sent_nothing_is_known() -> None:
    card = card_of(Seen("ward/a"), NOW_MS)
    assert (card.freshness, card.shown, card.first) == ("never", (), None)


def test_settings_alone_keep_no_value_alive() -> None:
    seen = Seen("ward/a")
    seen.take(_numerics(NOW_MS, etco2=41.0), NOW_MS)
    later_ms = NOW_MS + OLD_MS + 1
    seen.take(_sent("settings", later_ms, mode="controlled"), later_ms)
    assert card_of(seen, later_ms - 1000).mode == "controlled"
    assert card_of(seen, later_ms).shown == ()
    assert [one.vital for one in card_of(seen, later_ms - 1).shown] == [Vital.ETCO2]


def test_those_who_need_somebody_come_first() -> None:
    earlier_ms = NOW_MS - 300_000
    expected = [
        _card(_advisory(priority="high", since_ms=earlier_ms), name="w/1-high-long"),
        _card(_advisory(priority="high"), name="w/2-high"),
        _card(_advisory(priority="high", by="vet"), name="w/3-high-seen"),
        _card(age_ms=SILENT_MS + 1, name="w/4-silent"),
        _card(_advisory(), name="w/5-medium"),
        _card(_advisory(fact="journey.spare_minutes", since_ms=earlier_ms), name="w/5-medium-z"),
        _card(_advisory(by="vet"), name="w/6-medium-seen"),
        _card(_advisory(priority="low"), name="w/7-low"),
        _card(name="w/8-well"),
    ]
    assert [card.name for card in in_order(reversed(expected))] == [c.name for c in expected]
    assert [c.name for c in in_order(reversed(expected), fixed=True)] == [c.name for c in expected]


_TROUBLE = st.lists(
    st.tuples(
        st.sampled_from(["high", "medium", "low"]),
        st.booleans(),
        st.sampled_from(["ti.ratio_to_baseline", "battery.minutes_left"]),
    ),
    max_size=4,
)


@given(_TROUBLE, _TROUBLE, st.sampled_from([500, SILENT_MS + 1]))
def test_more_trouble_never_moves_a_place_down(
    some: list[tuple[str, bool, str]], more: list[tuple[str, bool, str]], age_ms: int
) -> None:
    def card(trouble: list[tuple[str, bool, str]]) -> Card:
        standing = (
            _advisory(f"rule-{at}", priority, by="vet" if seen else None, fact=fact)
            for at, (priority, seen, fact) in enumerate(trouble)
        )
        return _card(*standing, age_ms=age_ms)

    assert card(some + more).need <= card(some).need


def test_the_values_that_matter_follow_the_trouble_then_the_phase() -> None:
    known = list(Vital)
    assert that_matter(known, "maintenance", []) == (Vital.ETCO2, Vital.VOLUME, Vital.SPO2)
    assert that_matter(known, "weaning", []) == (Vital.RATE, Vital.ETCO2, Vital.SPO2)
    assert that_matter(known, None, ["temperature"])[0] is Vital.TEMPERATURE
    assert that_matter(known, "maintenance", ["battery.minutes_left", "journey.spare_minutes"]) == (
        Vital.BATTERY, Vital.ETCO2, Vital.VOLUME,
    )  # fmt: skip
    assert that_matter([Vital.TEMPERATURE], "maintenance", ["spo2"]) == (Vital.TEMPERATURE,)


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [(40.0, 46.0, "rising"), (40.0, 34.0, "falling"), (40.0, 41.5, "steady")],
)
def test_a_direction_is_more_than_noise(before: float, after: float, expected: str) -> None:
    course = [(NOW_MS - 65_000, before), (NOW_MS - 30_000, 90.0), (NOW_MS - 2_000, after)]
    assert direction_of(Vital.ETCO2, course, NOW_MS) == expected


def test_of_too_little_no_direction_is_told() -> None:
    assert direction_of(Vital.ETCO2, [(NOW_MS - 2_000, 40.0)], NOW_MS) is None
    assert direction_of(Vital.ETCO2, [(NOW_MS - 65_000, 40.0)], NOW_MS) is None


def test_a_value_that_is_not_there_says_why() -> None:
    seen = Seen("ward/a")
    seen.take(_numerics(NOW_MS, spo2=None), NOW_MS)
    [shown] = card_of(seen, NOW_MS).shown
    assert (shown.vital, shown.value, shown.status) == (Vital.SPO2, None, "sensor-off")


def test_the_values_of_one_patient_are_not_shown_of_the_next() -> None:
    seen = Seen("ward/a")
    seen.take(_patient(NOW_MS), NOW_MS)
    seen.take(_numerics(NOW_MS, etco2=41.0), NOW_MS)
    seen.take(_patient(NOW_MS, phase="weaning"), NOW_MS)
    assert card_of(seen, NOW_MS).shown
    seen.take(_patient(NOW_MS, name="B2"), NOW_MS)
    assert card_of(seen, NOW_MS).shown == ()


def test_volume_and_rate_come_from_what_a_breath_meant() -> None:
    seen = Seen("ward/a")
    body = {
        "channel": "paw",
        "ti": {"value": 0.5, "unit": "s"},
        "te": {"value": 1.5, "unit": "s"},
        "tidal_volume": {"value": 4.2, "unit": "mL"},
    }
    seen.take_derived(body, NOW_MS)
    shown = {one.vital: one.value for one in card_of(seen, NOW_MS).shown}
    assert shown == {Vital.VOLUME: 4.2, Vital.RATE: 30.0}
    seen.take(_numerics(NOW_MS, rr=28.0), NOW_MS)
    seen.take_derived(body, NOW_MS)
    assert seen.newest[Vital.RATE].value == 28.0


@pytest.mark.parametrize(("usual", "told"), [(37.0, None), (30.0, 30.0), (None, None)])
def test_what_is_usual_stands_beside_a_value_that_is_not(
    usual: float | None, told: float | None
) -> None:
    seen = Seen("ward/a")
    seen.take(_numerics(NOW_MS, etco2=38.0), NOW_MS)
    quantity = None if usual is None else {"value": usual, "unit": "mm[Hg]"}
    seen.take_usual({"at": to_text(NOW_MS), "values": {"etco2": quantity}})
    [shown] = card_of(seen, NOW_MS).shown
    assert shown.usual == told


def test_settings_that_are_too_old_to_judge_by_are_said() -> None:
    # The service takes none that are older than 180 s; a ventilator confirms them every 60 s.
    seen = Seen("ward/a")
    breath = {"channel": "paw", "ti": {"value": 0.5}, "te": {"value": 1.5}, "tidal_volume": None}
    seen.take_derived(breath, NOW_MS)
    assert card_of(seen, NOW_MS + 180_000).unjudged is None
    assert card_of(seen, NOW_MS + 180_001).unjudged == "never"
    seen.take(_sent("settings", NOW_MS, mode="controlled"), NOW_MS + 200_000)
    assert card_of(seen, NOW_MS + 380_000).unjudged is None
    late = card_of(seen, NOW_MS + 380_001)
    assert (late.unjudged, late.settings_ms) == ("late", NOW_MS + 200_000)


def test_what_was_over_of_late_is_known_for_ten_minutes() -> None:
    seen = Seen("ward/a")

    def stand(after_ms: int, *standing: dict[str, Any]) -> None:
        seen.take_standing({"standing": list(standing)}, NOW_MS + after_ms)

    high, low = _advisory("disconnected", "high"), _advisory("leak-small", "low")
    high["title"] = "The circuit is open"
    explained = {**_advisory("co2-stopped", "high"), "outranked_by": high["id"]}
    stand(0, high, low, explained)
    assert card_of(seen, NOW_MS).over is None
    stand(20_000)
    over = card_of(seen, NOW_MS + 25_000).over
    assert over is not None
    assert (over.title, over.priority.value) == ("The circuit is open", "high")
    assert over.ended_ms == NOW_MS + 20_000
    assert card_of(seen, NOW_MS + 620_001).over is None
    # What stands again is not over, and of another patient nothing is said.
    stand(30_000, {**high, "id": "again"})
    assert card_of(seen, NOW_MS + 31_000).over is None
    stand(40_000)
    seen.take(_patient(NOW_MS), NOW_MS + 41_000)
    seen.take(_patient(NOW_MS, name="B8"), NOW_MS + 42_000)
    assert card_of(seen, NOW_MS + 43_000).over is None


def test_what_ends_because_another_patient_came_is_nothing_of_that_one() -> None:
    seen = Seen("ward/a")
    seen.take(_patient(NOW_MS), NOW_MS)
    seen.take_standing({"standing": [{**_advisory(), "patient": "A7"}]}, NOW_MS)
    # The patient is told by its device, the end a moment later by the service.
    seen.take(_patient(NOW_MS, name="B8"), NOW_MS + 1_000)
    seen.take_standing({"standing": []}, NOW_MS + 1_200)
    assert card_of(seen, NOW_MS + 2_000).over is None
    seen.take_standing({"standing": [{**_advisory(), "patient": "B8"}]}, NOW_MS + 3_000)
    seen.take_standing({"standing": []}, NOW_MS + 4_000)
    assert card_of(seen, NOW_MS + 5_000).over is not None


def test_a_mean_of_breaths_does_not_stand_beside_no_breath() -> None:
    seen = Seen("ward/a")
    breath = {"channel": "co2", "etco2": {"value": 40.0}}
    seen.take_derived(breath, NOW_MS)
    standing = [_advisory("weaning-not-breathing", fact="co2.since_breath")]
    seen.take_standing({"standing": standing, "problems": [], "paused": None}, NOW_MS)

    def rate(after_ms: int) -> Any:
        seen.take(_numerics(NOW_MS + after_ms, rr=17.0), NOW_MS + after_ms)
        shown = card_of(seen, NOW_MS + after_ms).shown
        return next(one for one in shown if one.vital is Vital.RATE)

    assert rate(15_000).value == 17.0
    none = rate(54_000)
    assert (none.value, none.status, none.received_ms) == (None, "no-breath", NOW_MS)
    seen.take_derived(breath, NOW_MS + 60_000)
    assert rate(61_000).value == 17.0
    # A tortoise that breathes twice a minute breathes.
    seen.course.clear()
    for after_s in (100, 112):
        seen.take(_numerics(NOW_MS + 1000 * after_s, rr=2.0), NOW_MS + 1000 * after_s)
    shown = card_of(seen, NOW_MS + 118_000).shown
    assert {one.vital: one.value for one in shown}[Vital.RATE] == 2.0
    # Where it is something else that stands, the monitor counts.
    seen.take_standing({"standing": [_advisory()], "problems": [], "paused": None}, NOW_MS)
    assert rate(120_000).value == 17.0


def test_settings_that_an_advisory_tells_of_are_not_told_twice() -> None:
    seen = Seen("ward/a")
    seen.take(_sent("settings", NOW_MS, mode="controlled"), NOW_MS)
    for fact, unjudged in (("ti.ratio_to_baseline", "late"), ("data.settings_age", None)):
        standing = [_advisory(fact=fact)]
        seen.take_standing({"standing": standing, "problems": [], "paused": None}, NOW_MS)
        assert card_of(seen, NOW_MS + 190_000).unjudged == unjudged


def test_where_no_ventilator_is_nothing_is_said_of_its_settings() -> None:
    seen = Seen("ward/a")
    seen.take(_numerics(NOW_MS, etco2=38.0), NOW_MS)
    assert card_of(seen, NOW_MS + 3_600_000).unjudged is None
