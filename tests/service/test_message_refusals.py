"""A message that cannot be used is refused with words that name the field."""

from __future__ import annotations

import json
from typing import Any

import pytest
from service_bench import GOOD, body, encoded, quantity, read, refusal, refusal_of

from service.messages import MAX_PAYLOAD_BYTES, MAX_SEQ, extra_keys, parse

BIG = 10**400


@pytest.mark.parametrize("kind", GOOD)
def test_the_examples_are_good(kind: str) -> None:
    assert read(kind).device == "monitor-1"


ENVELOPE: list[tuple[str, object]] = [
    ("schema", 2),
    ("schema", "1"),
    ("schema", None),
    ("schema", True),
    ("device", ""),
    ("device", None),
    ("device", 7),
    ("device", "x" * 81),
    ("epoch", None),
    ("epoch", True),
    ("epoch", 1.5),
    ("epoch", "x" * 81),
    ("epoch", 10**90),
    ("seq", "1"),
    ("seq", 1.0),
    ("seq", True),
    ("seq", None),
    ("seq", -1),
    ("seq", MAX_SEQ + 1),
    ("seq", BIG),
    ("at", 1_795_611_600_000),
    ("at", None),
    ("at", "yesterday"),
    ("at", "2026-11-25T13:00:00+01:00"),
    ("at", "2026-02-30T00:00:00Z"),
]


@pytest.mark.parametrize("kind", GOOD)
@pytest.mark.parametrize(("field", "value"), ENVELOPE)
def test_every_kind_checks_its_envelope(kind: str, field: str, value: object) -> None:
    assert field in refusal(kind, **{field: value})


@pytest.mark.parametrize("kind", GOOD)
def test_every_missing_key_of_the_envelope_is_named(kind: str) -> None:
    for field in ("schema", "device", "epoch", "seq", "at"):
        message = body(kind)
        del message[field]
        assert f"{field}: Field required" in refusal_of(kind, encoded(message))


FIELDS: list[tuple[str, str, dict[str, Any]]] = [
    ("numerics", "values", {"values": None}),
    ("numerics", "values", {"values": [1]}),
    ("numerics", "values.spo2", {"values": {"spo2": 97}}),
    ("numerics", "values.spo2", {"values": {"spo2": {"value": 97}}}),
    ("numerics", "values.spo2.value", {"values": {"spo2": {"unit": "%"}}}),
    ("numerics", "values.spo2.value", {"values": {"spo2": quantity("97", "%")}}),  # type: ignore[arg-type]  # wrong on purpose
    ("numerics", "values.spo2.value", {"values": {"spo2": quantity(True, "%")}}),
    ("numerics", "values.spo2.value", {"values": {"spo2": quantity(BIG, "%")}}),
    ("numerics", "values.spo2.unit", {"values": {"spo2": quantity(97, 5)}}),  # type: ignore[arg-type]  # wrong on purpose
    ("numerics", "values.spo2", {"values": {"spo2": quantity(None, "%")}}),
    ("numerics", "values.spo2.status", {"values": {"spo2": {"value": None, "status": "odd"}}}),
    ("numerics", "spo2", {"values": {"spo2": quantity(101.0, "%")}}),
    ("numerics", "etco2", {"values": {"etco2": quantity(1e308, "kPa")}}),
    ("waveform", "channel", {"channel": "ecg"}),
    ("waveform", "unit", {"unit": None}),
    ("waveform", "rate_hz", {"rate_hz": 0}),
    ("waveform", "rate_hz", {"rate_hz": -50}),
    ("waveform", "rate_hz", {"rate_hz": 2001}),
    ("waveform", "rate_hz", {"rate_hz": "50"}),
    ("waveform", "rate_hz", {"rate_hz": BIG}),
    ("waveform", "samples", {"samples": []}),
    ("waveform", "samples", {"samples": "2 3 4"}),
    ("waveform", "samples", {"samples": [2.0] * 201}),
    ("waveform", "samples.1", {"samples": [2.0, "3"]}),
    ("waveform", "samples.0", {"samples": [True]}),
    ("waveform", "samples.0", {"samples": [BIG]}),
    ("waveform", "samples", {"samples": [2.0, 251.0]}),
    ("settings", "mode", {"mode": "cpap"}),
    ("settings", "te_set", {"te_set": quantity(-1.0, "s")}),
    ("settings", "te_set", {"te_set": 2.0}),
    ("power", "supply", {"supply": "solar"}),
    ("power", "charge", {"charge": quantity(120.0, "%")}),
    ("patient", "patient", {"patient": ""}),
    ("patient", "species", {"species": None}),
    ("patient", "class", {"class": "fish"}),
    ("patient", "mass", {"mass": quantity(0.0, "kg")}),
    ("patient", "phase", {"phase": "asleep"}),
    ("journey", "from", {"from": ""}),
    ("journey", "leaves_at", {"leaves_at": "soon"}),
    ("journey", "minutes", {"minutes": -5}),
    ("journey", "minutes", {"minutes": "20"}),
    ("request", "id", {"id": 5}),
    ("request", "by", {"by": ""}),
    ("request", "action", {"action": "x" * 81}),
    ("request", "reason", {"reason": "x" * 501}),
]


@pytest.mark.parametrize(("kind", "field", "changes"), FIELDS)
def test_the_field_is_named(kind: str, field: str, changes: dict[str, Any]) -> None:
    assert f"{field}: " in refusal(kind, **changes)


@pytest.mark.parametrize("word", ["NaN", "Infinity", "-Infinity", "1e999"])
def test_numbers_that_are_not_finite(word: str) -> None:
    text = json.dumps(body("numerics", values={"spo2": quantity(12345.0, "%")}))
    assert "values.spo2.value: " in refusal_of("numerics", text.replace("12345.0", word).encode())
    text = json.dumps(body("waveform", samples=[2.0, 12345.0]))
    assert "samples.1: " in refusal_of("waveform", text.replace("12345.0", word).encode())


def test_the_bounds_are_told() -> None:
    reason = refusal("numerics", values={"spo2": quantity(101.0, "%")})
    assert "101 %" in reason
    assert "0 to 100 %" in reason


@pytest.mark.parametrize("status", ["sensor-off", "warming-up", "out-of-range", "questionable"])
def test_no_value_with_its_reason_is_good(status: str) -> None:
    found = read("numerics", values={"spo2": {"value": None, "status": status}}).values["spo2"]
    assert (found.value, found.status) == (None, status)


def test_many_faults_are_counted_and_not_all_told() -> None:
    reason = refusal_of("patient", b"{}")
    assert reason.count("Field required") == 3
    assert "and 6 more" in reason


@pytest.mark.parametrize(
    ("payload", "word"),
    [
        (b"", "empty"),
        (b"null", "object"),
        (b"[]", "object"),
        (b'"text"', "object"),
        (b"not JSON", "JSON"),
        (b"{", "JSON"),
        (b'{"schema": 1,}', "JSON"),
        (b"\xef\xbb\xbf{}", "JSON"),
        (b"\x00", "JSON"),
        (b'{"x": "\xff"}', "JSON"),
        (b'{"x": "\\ud800"}', "JSON"),
        (b"[" * 100_000, "JSON"),
        (b'{"x":' * 100_000, "JSON"),
        (b" " * (MAX_PAYLOAD_BYTES + 1), str(MAX_PAYLOAD_BYTES)),
    ],
)
def test_payloads_that_are_no_message(payload: bytes, word: str) -> None:
    assert word in refusal_of("numerics", payload)


def test_bytes_that_are_not_utf_8_are_refused_wherever_they_stand() -> None:
    # What is accepted is stored as text, so it must be text to the last byte.
    good = encoded(body("numerics", note="some words", more={"deep": ["words"]}))
    for at in range(len(good) + 1):
        assert refusal_of("numerics", good[:at] + b"\xff" + good[at:])


def test_unknown_keys_are_kept_and_counted() -> None:
    message = read("numerics", firmware="1.2", extra={"deep": [1, 2]})
    assert extra_keys(message) == 2
    assert message.model_extra == {"firmware": "1.2", "extra": {"deep": [1, 2]}}


def test_of_a_key_given_twice_the_last_one_counts() -> None:
    # As in most readers of JSON (RFC 8259, section 4, leaves it open).
    text = json.dumps(body("numerics")).replace('"seq": 1', '"seq": 1, "seq": 2')
    assert read("numerics").seq == 1
    assert json.loads(text)["seq"] == 2
    assert parse("numerics", text.encode()).seq == 2


def test_an_epoch_may_be_a_number() -> None:
    assert read("numerics", epoch=1764080000).epoch == "1764080000"
