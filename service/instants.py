"""Instants as whole milliseconds since 1970-01-01T00:00:00Z, and their RFC 3339 text."""

from __future__ import annotations

import functools
import re
from datetime import UTC, datetime, timedelta

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_RFC3339_UTC = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,9})?(Z|\+00:00)", re.ASCII)


def to_text(instant_ms: int) -> str:
    """`2026-11-25T13:00:00.250Z`: RFC 3339, UTC, milliseconds."""
    seconds, thousandths = divmod(instant_ms, 1000)
    return f"{_second_text(seconds)}.{thousandths:03d}Z"


def from_text(text: str) -> int:
    """Milliseconds since 1970 of an RFC 3339 time in UTC; ValueError says what is wrong."""
    if not _RFC3339_UTC.fullmatch(text):
        raise ValueError("must be RFC 3339 in UTC, as 2026-11-25T13:00:00.250Z")
    head, _, fraction = text.rstrip("Z").removesuffix("+00:00").partition(".")
    return _second_of(head) * 1000 + int((fraction + "000")[:3])


# Of the messages of a second there are hundreds, and each tells several instants.
@functools.lru_cache(maxsize=1024)
def _second_text(instant_s: int) -> str:
    moment = _EPOCH + timedelta(seconds=instant_s)
    return moment.isoformat(timespec="seconds").removesuffix("+00:00")


@functools.lru_cache(maxsize=1024)
def _second_of(text: str) -> int:
    moment = datetime.fromisoformat(text).replace(tzinfo=UTC)
    return (moment - _EPOCH) // timedelta(seconds=1)
