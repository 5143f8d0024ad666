"""What Tidewarden is and is not: said wherever it says anything."""

from __future__ import annotations

from typing import Final

NOTICE: Final = (
    "Decision support only. It never replaces the device's own alarms, the local protocol or a "
    "licensed clinician."
)


def with_notice(caution: str) -> str:
    """The caution of a rule set, after the notice where the caution does not say it itself."""
    if NOTICE in " ".join(caution.split()):
        return caution
    return f"{NOTICE} {caution}".rstrip()
