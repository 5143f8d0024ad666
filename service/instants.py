"""Instants as whole milliseconds since 1970-01-01T00:00:00Z, and their RFC 3339 text."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_RFC3339_UTC = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,9})?(Z|\+00:00)", re.ASCII)


def to_text(instant_ms: int) -> str:
    """`2026-11-25T13:00:00.250Z`: RFC 3339, UTC, milliseconds."""
    moment = _EPOCH + timedelta(milliseconds=instant_ms)
    return moment.isoformat(timespec="milliseconds").removesuffix("+00:00") + "Z"


def from_text(text: str) -> int:
    """Milliseconds since 1970 of an RFC 3339 time in UTC; ValueError says what is wrong."""
    if not _RFC3339_UTC.fullmatch(text):
        raise ValueError("must be RFC 3339 in UTC, as 2026-11-25T13:00:00.250Z")
    head, _, fraction = text.rstrip("Z").removesuffix("+00:00").partition(".")
    moment = datetime.fromisoformat(head).replace(tzinfo=UTC)
    whole_s = (moment - _EPOCH) // timedelta(seconds=1)
    return whole_s * 1000 + int((fraction + "000")[:3])
