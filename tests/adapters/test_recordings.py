"""Recordings: what is written is read, and what cannot be read says file, line and why."""

from __future__ import annotations

import gzip
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.recordings import Line, RecordingError, read_recording, write_recording
from adapters.simulator.scenario import builtin_scenario_text, load_scenario
from adapters.simulator.ward import SimulatedWard
from service.instants import to_text
from service.intake import Arrival

START_MS = 1_795_611_600_000
TOPIC = "tidewarden/1/recovery/bay-1/numerics"
GOOD: dict[str, Any] = {"received_at": to_text(START_MS), "topic": TOPIC, "payload": {"seq": 1}}


def lines() -> list[Line]:
    """Some lines that try the encoding."""
    return [
        Line(START_MS, TOPIC, {"seq": 1, "text": 'a "quoted" Σκύλος \\ \n \x00 🐢'}),
        Line(START_MS, TOPIC, {"seq": 2, "numbers": [0.1 + 0.2, 1e-300, -0.0, 2**53, None, True]}),
        Line(START_MS + 250, TOPIC, {"seq": 3, "deep": {"list": [[], {}]}}),
    ]


@pytest.mark.parametrize("name", ["recording.jsonl", "recording.jsonl.gz"])
def test_what_is_written_is_read(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    assert write_recording(path, lines()) == 3
    read = list(read_recording(path))
    assert [(a.received_ms, a.topic, json.loads(a.payload)) for a in read] == [
        (line.received_ms, line.topic, line.payload) for line in lines()
    ]


def test_a_name_ending_in_gz_is_compressed(tmp_path: Path) -> None:
    plain, packed = tmp_path / "a.jsonl", tmp_path / "a.jsonl.gz"
    write_recording(plain, lines())
    write_recording(packed, lines())
    assert gzip.decompress(packed.read_bytes()) == plain.read_bytes()
    assert plain.read_text(encoding="utf-8").count("\n") == 3


def test_a_simulated_ward_survives_the_round_trip(tmp_path: Path) -> None:
    scenario = load_scenario(builtin_scenario_text())
    sent = SimulatedWard(scenario, START_MS, seed=1).advance(START_MS + 3000)
    path = tmp_path / "ward.jsonl.gz"
    write_recording(path, (Line(m.at_ms, m.topic, m.payload) for m in sent))
    payloads = [json.loads(a.payload) for a in read_recording(path)]
    assert payloads == [m.payload for m in sent]


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)


@settings(deadline=None)
@given(payload=st.dictionaries(st.text(), VALUES, max_size=4))
def test_any_payload(tmp_path_factory: pytest.TempPathFactory, payload: dict[str, Any]) -> None:
    path = tmp_path_factory.mktemp("any") / "a.jsonl"
    write_recording(path, [Line(START_MS, TOPIC, payload)])
    (read,) = read_recording(path)
    assert json.loads(read.payload) == payload


def test_empty_lines_are_passed_over(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    path.write_text(f"\n{json.dumps(GOOD)}\n\n  \n{json.dumps(GOOD)}\n\n", encoding="utf-8")
    assert list(read_recording(path)) == 2 * [Arrival(START_MS, TOPIC, b'{"seq":1}')]


def test_an_empty_recording_has_no_arrivals(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    path.touch()
    assert list(read_recording(path)) == []


def _without(key: str) -> str:
    return json.dumps({name: value for name, value in GOOD.items() if name != key})


BAD_LINES = {
    "not JSON": ("{nonsense", "not JSON"),
    "cut": (json.dumps(GOOD)[:-5], "not JSON"),
    "a list": ("[1, 2]", "expected an object"),
    "text": ('"text"', "expected an object"),
    "no received_at": (_without("received_at"), "received_at is missing"),
    "no topic": (_without("topic"), "topic is missing"),
    "no payload": (_without("payload"), "payload is missing"),
    "received_at a number": (json.dumps({**GOOD, "received_at": 5}), "received_at is not text"),
    "received_at no time": (json.dumps({**GOOD, "received_at": "noon"}), "received_at must be RFC"),
    "topic a number": (json.dumps({**GOOD, "topic": 5}), "topic is not text"),
    "topic no UTF-8": (json.dumps({**GOOD, "topic": "a\ud800"}), "topic is not UTF-8"),
    "payload text": (json.dumps({**GOOD, "payload": "{}"}), "payload is not an object"),
    "back in time": (
        json.dumps({**GOOD, "received_at": to_text(START_MS - 1)}),
        "received_at goes back in time",
    ),
    "too deep": ('{"payload":' + "[" * 100_000, "not JSON"),
    "too many digits": ('{"payload":{"a":' + "9" * 5000 + "}}", "not JSON"),
}


@pytest.mark.parametrize("name", BAD_LINES)
def test_a_bad_line_is_named(tmp_path: Path, name: str) -> None:
    text, why = BAD_LINES[name]
    path = tmp_path / "a.jsonl"
    path.write_text(f"{json.dumps(GOOD)}\n\n{text}\n", encoding="utf-8")
    with pytest.raises(RecordingError) as caught:
        list(read_recording(path))
    assert str(caught.value).startswith(f"{path}:3: ")
    assert why in str(caught.value)


def test_lines_before_a_bad_one_are_given(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    path.write_text(f"{json.dumps(GOOD)}\nnonsense\n", encoding="utf-8")
    reading = read_recording(path)
    assert next(reading).received_ms == START_MS
    with pytest.raises(RecordingError):
        next(reading)


def _packed() -> bytes:
    return gzip.compress("".join(f"{json.dumps(GOOD)}\n" for _ in range(300)).encode())


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("missing.jsonl", None),
        ("latin.jsonl", "Σ".encode("utf-16")),
        ("plain.jsonl.gz", json.dumps(GOOD).encode()),
        ("cut.jsonl.gz", _packed()[:-60]),
        ("damaged.jsonl.gz", _packed()[:40] + b"\x55" * 20 + _packed()[60:]),
    ],
)
def test_a_file_that_cannot_be_read_is_named(
    tmp_path: Path, name: str, content: bytes | None
) -> None:
    path = tmp_path / name
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(RecordingError, match=name):
        list(read_recording(path))


def test_damage_to_a_packed_file_is_told_or_does_no_harm(tmp_path: Path) -> None:
    packed, path = _packed(), tmp_path / "a.jsonl.gz"
    path.write_bytes(packed)
    whole, harmless = list(read_recording(path)), 0
    for at in range(10, len(packed), 3):
        damaged = bytearray(packed)
        damaged[at] ^= 0x10
        path.write_bytes(damaged)
        try:
            assert list(read_recording(path)) == whole
            harmless += 1
        except RecordingError:
            continue
    assert harmless <= 2  # bits that pad the last byte


def test_a_folder_is_no_recording(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match=r"a folder; give a recording in it .* a store's file"):
        list(read_recording(tmp_path))


def test_a_payload_that_is_no_utf_8_text_is_left_to_intake(tmp_path: Path) -> None:
    # It reaches the service as the bytes a device would have sent, and is refused there.
    path = tmp_path / "a.jsonl"
    path.write_text(json.dumps({**GOOD, "payload": {"a": "\ud800"}}), encoding="utf-8")
    (read,) = read_recording(path)
    with pytest.raises(UnicodeDecodeError):
        read.payload.decode()
