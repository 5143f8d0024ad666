"""Instants are RFC 3339 in UTC (RFC 3339, section 5.6) and come back as they were."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.instants import from_text, to_text


@given(st.datetimes(datetime(1, 1, 1), datetime(9999, 12, 31, 23, 59, 59)))  # noqa: DTZ001
def test_text_of_an_instant_reads_back(moment: datetime) -> None:
    whole = moment.replace(microsecond=moment.microsecond // 1000 * 1000, tzinfo=UTC)
    text = whole.strftime("%m-%dT%H:%M:%S")
    instant_ms = from_text(f"{whole.year:04d}-{text}.{whole.microsecond // 1000:03d}Z")
    # The standard library is the judge of what the text means.
    assert datetime.fromisoformat(to_text(instant_ms)) == whole


def test_known_instant() -> None:
    # The Unix time 1,000,000,000 was 2001-09-09T01:46:40Z (POSIX definition, common knowledge).
    assert from_text("2001-09-09T01:46:40Z") == 1_000_000_000_000
    assert to_text(1_000_000_000_250) == "2001-09-09T01:46:40.250Z"


@pytest.mark.parametrize(
    ("fraction", "ms"), [("", 0), (".5", 500), (".05", 50), (".123456789", 123), (".000", 0)]
)
def test_fractions_of_any_length_are_cut_to_milliseconds(fraction: str, ms: int) -> None:
    assert from_text(f"2026-11-25T13:00:00{fraction}Z") % 1000 == ms


def test_utc_may_be_written_as_an_offset_of_zero() -> None:
    assert from_text("2026-11-25T13:00:00+00:00") == from_text("2026-11-25T13:00:00Z")


@pytest.mark.parametrize(
    "text",
    [
        "",
        "2026-11-25",
        "2026-11-25T13:00:00",
        "2026-11-25T13:00:00+01:00",
        "2026-11-25T13:00:00-00:00",
        "2026-11-25t13:00:00z",
        "2026-11-25 13:00:00Z",
        "2026-11-25T13:00Z",
        "20261125T130000Z",
        "2026-11-25T13:00:00.Z",
        "2026-11-25T13:00:00.1234567890Z",
        "2026-02-30T13:00:00Z",
        "2026-11-25T24:00:00Z",
        "2026-11-25T13:00:60Z",
        "0000-01-01T00:00:00Z",
        "2026-11-25T13:00:00ZZ",
        "2026-11-25T13:00:00Z\n",
        "\u0662\u0660\u0662\u0666-11-25T13:00:00Z",
        "1764075600000",
    ],
)
def test_anything_else_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"RFC 3339|range|must be in"):
        from_text(text)
