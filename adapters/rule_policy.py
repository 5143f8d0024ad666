"""Who may activate a rule set: by default two persons, the author and one who activates."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Policy:
    """What a site asks for, as its configuration says under `[rules]`."""

    two_persons: bool = True
    allow_override: bool = False

    def objection(self, by: str, author: str, override_reason: str | None) -> str | None:
        """Why this activation may not be, with what to do; None when it may."""
        if not self.two_persons or not same_person(by, author):
            return None
        given = bool(override_reason and override_reason.strip())
        if given and self.allow_override:
            return None
        why = f"{by.strip()} is the author and may not activate it alone: let another person do it"
        if given and not self.allow_override:
            return f"{why} (the configuration does not allow an override: [rules] allow_override)"
        if self.allow_override:
            return f"{why}, or give a reason with --override"
        return why


def same_person(one: str, other: str) -> bool:
    """Whether two names are the same, but for case, space, and how their letters are coded."""
    return _told_apart_by(one) == _told_apart_by(other)


def _told_apart_by(name: str) -> list[str]:
    """Its parts; an accent may be coded with its letter or after it, and some signs have no look.

    Unicode 15, annex 15: NFKC; general category Cf.
    """
    seen = "".join(sign for sign in name if unicodedata.category(sign) != "Cf")
    folded = unicodedata.normalize("NFKC", seen).casefold()
    return unicodedata.normalize("NFKC", folded).split()
