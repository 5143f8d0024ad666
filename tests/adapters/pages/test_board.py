"""What the pages know, from messages as they come; strict answers to whoever asks."""

from __future__ import annotations

import json
from typing import Any

import pytest

from adapters.pages.board import WATCHING_MS, Board
from adapters.pages.shown import card_body, patient_body
from adapters.texts import texts
from rules.priority import Priority
from service.glance import Vital
from service.glance.card import LATE_MS, SILENT_MS
from service.instants import to_text
from service.messages import Patient, Waveform

NOW_MS = 1_795_611_600_000
HEALTH = "tidewarden/1/service/watch/health"


def _sent(**rest: Any) -> bytes:
    body = {"schema": 1, "device": "m", "epoch": "e", "seq": 1, "at": to_text(NOW_MS), **rest}
    return json.dumps(body).encode()


def _numerics(value: float = 41.0) -> bytes:
    return _sent(values={"etco2": {"value": value, "unit": "mm[Hg]"}})


def _patient(name: str) -> bytes:
    mass = {"value": 410.0, "unit": "g"}
    who = {"patient": name, "species": "hedgehog", "class": "mammal", "mass": mass}
    return _sent(phase="maintenance", **who)


def test_a_service_that_is_not_heard_is_not_watching() -> None:
    board = Board()
    assert board.watching(NOW_MS) == "never"
    board.take(HEALTH, b'{"schema":1,"status":"online"}', NOW_MS)
    assert board.watching(NOW_MS + WATCHING_MS) == "watching"
    assert board.watching(NOW_MS + WATCHING_MS + 1) == "silent"
    board.take(HEALTH, b'{"schema":1,"status":"offline"}', NOW_MS)
    assert board.watching(NOW_MS) == "silent"


@pytest.mark.parametrize(
    ("topic", "payload"),
    [
        ("tidewarden/1/ward/a/numerics", b"not json"),
        ("tidewarden/1/ward/a/numerics", _sent(values={"etco2": {"value": 41.0, "unit": "s"}})),
        ("something/else", b"{}"),
        ("tidewarden/1/ward/a/unheard-of", b"{}"),
    ],
)
def test_what_cannot_be_read_changes_no_value(topic: str, payload: bytes) -> None:
    board = Board()
    board.take(topic, payload, NOW_MS)
    assert all(not seen.newest and seen.reading_ms is None for seen in board.places.values())


def test_a_wave_counts_as_a_reading_and_is_read_only_when_somebody_looks() -> None:
    board = Board()
    block = _sent(channel="co2", unit="mm[Hg]", rate_hz=20.0, samples=[0.0, 1.0])
    board.take("tidewarden/1/ward/a/waveform", block, NOW_MS)
    assert board.places["ward/a"].reading_ms == NOW_MS
    seen: list[tuple[str, Waveform]] = []
    board.on_wave = lambda name, wave: seen.append((name, wave))
    board.take("tidewarden/1/ward/a/waveform", block, NOW_MS + 1)
    assert [(name, wave.samples) for name, wave in seen] == [("ward/a", [0.0, 1.0])]


def test_ages_are_counted_here_not_by_the_clock_of_a_browser() -> None:
    board = Board()
    board.take("tidewarden/1/ward/a/numerics", _numerics(), NOW_MS)
    [card] = board.cards(NOW_MS + 2_500)
    body = card_body(card, NOW_MS + 2_500)
    assert body["age_s"] == 2.5
    assert body["values"][0] == {
        "vital": "etco2", "value": 41.0, "unit": "mm[Hg]", "direction": None, "status": None,
        "usual": None, "age_s": 2.5,
    }  # fmt: skip
    json.dumps(body, allow_nan=False)


def test_what_is_usual_stands_beside_the_value_until_another_patient_comes() -> None:
    board = Board()
    usual = {"tidal_volume": None, "ti": None, "etco2": {"value": 38.0, "unit": "mm[Hg]"}}
    told = json.dumps({"schema": 1, "at": to_text(NOW_MS - 60_000), "values": usual}).encode()
    board.take("tidewarden/1/ward/a/usual", told, NOW_MS)
    board.take("tidewarden/1/ward/a/patient", _patient("Skerry"), NOW_MS)
    board.take("tidewarden/1/ward/a/numerics", _numerics(), NOW_MS)
    body = patient_body(board.places["ward/a"], NOW_MS)
    (etco2,) = body["card"]["values"]
    assert (etco2["value"], etco2["usual"]) == (41.0, 38.0)
    assert body["usual"] == {
        "values": [{"name": "etco2", "value": 38.0, "unit": "mm[Hg]"}],
        "age_s": 60.0,
    }
    board.take("tidewarden/1/ward/a/patient", _patient("Vane"), NOW_MS)
    assert patient_body(board.places["ward/a"], NOW_MS)["usual"] is None


def test_settings_that_were_never_seen_to_change_are_not_called_changed() -> None:
    board = Board()

    def told(seconds: float, at_ms: int) -> dict[str, Any]:
        te = {"value": seconds, "unit": "s"}
        board.take("tidewarden/1/ward/a/settings", _sent(mode="controlled", te_set=te), at_ms)
        found: dict[str, Any] = patient_body(board.places["ward/a"], NOW_MS + 90_000)["settings"]
        return found

    assert told(2.0, NOW_MS)["seen_changing"] is False
    again = told(2.0, NOW_MS + 60_000)
    assert (again["seen_changing"], again["changed_s"], again["age_s"]) == (False, 90.0, 30.0)
    after = told(2.5, NOW_MS + 80_000)
    assert (after["seen_changing"], after["changed_s"]) == (True, 10.0)


def test_only_what_changed_is_pushed() -> None:
    board = Board()
    for place in ("a", "b"):
        board.take(f"tidewarden/1/ward/{place}/numerics", _numerics(), NOW_MS)
    board.changed.clear()
    board.take("tidewarden/1/ward/b/numerics", _numerics(44.0), NOW_MS)
    assert board.changed == {"ward/b"}
    assert [card.name for card in board.cards(NOW_MS, board.changed)] == ["ward/b"]


def test_a_place_that_falls_silent_has_changed() -> None:
    board = Board()
    board.take("tidewarden/1/ward/a/numerics", _numerics(), NOW_MS)
    board.age(NOW_MS)
    board.changed.clear()
    for at_ms, changed in [(LATE_MS, 0), (LATE_MS + 1, 1), (SILENT_MS, 0), (SILENT_MS + 1, 1)]:
        board.age(NOW_MS + at_ms)
        assert len(board.changed) == changed, at_ms
        board.changed.clear()


def test_every_word_that_a_card_may_need_is_written() -> None:
    words = texts()
    for vital in Vital:
        assert words[f"vital_{vital.value}"]
        assert words[f"sum_name_{vital.value}"]
    phases = Patient.model_fields["phase"].annotation
    for phase in getattr(phases, "__args__", ()):
        assert words[f"phase_{phase}"]
        assert words[f"phase_short_{phase}"]
    for priority in Priority:
        for part in ("priority", "sum", "hand"):
            assert words[f"{part}_{priority.value}"]
    for state in ("watching", "silent", "never", "unreachable"):
        assert words[state]
