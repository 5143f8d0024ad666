"""Who may activate a rule set: by default two persons, the author and one who activates."""

from __future__ import annotations

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
        if override_reason and self.allow_override:
            return None
        why = f"{by.strip()} is the author and may not activate it alone: let another person do it"
        if override_reason:
            return f"{why} (the configuration does not allow an override: [rules] allow_override)"
        if self.allow_override:
            return f"{why}, or give a reason with --override"
        return why


def same_person(one: str, other: str) -> bool:
    """Whether two names are the same, but for case and space around and within."""
    return one.casefold().split() == other.casefold().split()
