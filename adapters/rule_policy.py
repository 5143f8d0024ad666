"""Who may activate a rule set, by default two persons; and what keeps one from being released."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

#: So many scenarios are named in an objection.
_NAMED: Final = 5


@dataclass(frozen=True, slots=True)
class Policy:
    """What a site asks for, as its configuration says under `[rules]`."""

    two_persons: bool = True
    allow_override: bool = False

    def objection(self, by: str, author: str, override_reason: str | None) -> str | None:
        """Why this activation may not be, with what to do; None when it may."""
        if not self.two_persons or not same_person(by, author):
            return None
        why = f"{by.strip()} is the author and may not activate it alone: let another person do it"
        return self._unless_overridden(why, override_reason)

    def objection_to_release(
        self, failed: Sequence[str], override_reason: str | None
    ) -> str | None:
        """Why rules whose scenarios (by name) `failed` may not be released; None when they may."""
        if not failed:
            return None
        more = f" and {len(failed) - _NAMED} more" if len(failed) > _NAMED else ""
        why = (
            f"not as expected: {', '.join(failed[:_NAMED])}{more}; mend the rules or the scenarios "
            "(tidewarden rehearse --rules FOLDER tells what came of each)"
        )
        return self._unless_overridden(why, override_reason)

    def _unless_overridden(self, why: str, reason: str | None) -> str | None:
        given = bool(reason and reason.strip())
        if self.allow_override:
            return None if given else f"{why}, or give a reason with --override"
        no = " (the configuration does not allow an override: [rules] allow_override)"
        return f"{why}{no if given else ''}"


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
