"""How urgent a finding is: harm if nobody acts, and how soon that harm comes.

The table is Table 1 of IEC 60601-1-8:2006 with its amendments of 2012 and 2020 (from memory, not
checked against the printed standard). Where the standard allows "low or none", low is used.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import Final


class Priority(StrEnum):
    """Priority of an alarm condition, as IEC 60601-1-8 names it."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"

    @property
    def rank(self) -> int:
        """3 for high, 2 for medium, 1 for low: the larger, the more urgent."""
        return _RANKS[self]

    @property
    def mark(self) -> str:
        """As many exclamation marks as its rank, filled up to three characters."""
        return f"{'!' * self.rank:<3}"


class Harm(StrEnum):
    """The potential result of a failure to respond."""

    DEATH = "death or irreversible injury"
    REVERSIBLE = "reversible injury"
    MINOR = "minor injury or discomfort"


class Onset(StrEnum):
    """How soon that harm can come.

    Immediate: usually not enough time for a person to act; prompt: usually enough; delayed:
    longer, unspecified.
    """

    IMMEDIATE = "immediate"
    PROMPT = "prompt"
    DELAYED = "delayed"


_RANKS: Final[Mapping[Priority, int]] = {Priority.HIGH: 3, Priority.MEDIUM: 2, Priority.LOW: 1}

_TABLE: Final[Mapping[Harm, Mapping[Onset, Priority]]] = {
    Harm.DEATH: {
        Onset.IMMEDIATE: Priority.HIGH,
        Onset.PROMPT: Priority.HIGH,
        Onset.DELAYED: Priority.MEDIUM,
    },
    Harm.REVERSIBLE: {
        Onset.IMMEDIATE: Priority.HIGH,
        Onset.PROMPT: Priority.MEDIUM,
        Onset.DELAYED: Priority.LOW,
    },
    Harm.MINOR: {
        Onset.IMMEDIATE: Priority.MEDIUM,
        Onset.PROMPT: Priority.LOW,
        Onset.DELAYED: Priority.LOW,
    },
}


def priority_of(harm: Harm, onset: Onset) -> Priority:
    """The priority of a condition with this potential harm and this onset."""
    return _TABLE[harm][onset]
