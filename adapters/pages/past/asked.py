"""What is asked of these pages, in their addresses: each field is checked, and named when wrong."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from service.instants import from_text

HOURS: Final = (1, 4, 12)
MS_PER_H: Final = 3_600_000


class AskedError(ValueError):
    """What was asked cannot be answered; the text names the field and what it may be."""


def hours(query: Mapping[str, str]) -> int:
    """How far to look back."""
    given = query.get("hours", str(HOURS[0]))
    known = {str(one): one for one in HOURS}
    if given not in known:
        raise AskedError(f"hours: {given!r} is not one of {', '.join(known)}")
    return known[given]


def instant(query: Mapping[str, str], field: str) -> int | None:
    """A time as RFC 3339 in UTC, in ms since 1970; None where it is not given."""
    given = query.get(field, "")
    if not given:
        return None
    try:
        return from_text(given)
    except ValueError as error:
        raise AskedError(f"{field}: {given!r} {error}") from None


def number(query: Mapping[str, str], field: str) -> int | None:
    """A whole number; None where it is not given."""
    given = query.get(field, "")
    if not given:
        return None
    if not (given.isascii() and given.isdigit() and len(given) <= 16):
        raise AskedError(f"{field}: {given!r} is not a whole number")
    return int(given)
