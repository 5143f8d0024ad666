"""What a snapshot of facts is, how long values stand, and small helpers of all producers."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from statistics import median
from typing import Final

from service.known import Channel
from service.physiology.uncertain import Uncertain

FactValue = float | bool | str

#: How long a value stands after it was received (s).
WAVE_FRESH_S: Final = 3.0
NUMERIC_FRESH_S: Final = 10.0
SETTINGS_FRESH_S: Final = 180.0
POWER_FRESH_S: Final = 120.0
#: A value read worse than this is not used.
QUALITY_FLOOR: Final = 0.35
#: What the last breath said stands for so many of the usual breaths, within these bounds (s).
BREATH_FRESH_PERIODS: Final = 3.0
BREATH_FRESH_S: Final = (8.0, 60.0)


@dataclass(frozen=True, slots=True)
class Read:
    """How well something could be read, from 0 to 1, and what stands against it."""

    quality: float
    doubt: str


@dataclass(slots=True)
class FactSet:
    """Values by fact name, and for each absent fact why it is absent.

    `quality` holds how well a value could be read, from 0 to 1, where that is under 1, and
    `doubts` what stands against it.
    """

    values: dict[str, FactValue] = field(default_factory=dict)
    unknown: dict[str, str] = field(default_factory=dict)
    quality: dict[str, float] = field(default_factory=dict)
    doubts: dict[str, str] = field(default_factory=dict)

    def put(
        self,
        name: str,
        value: FactValue | None,
        why_absent: str = "never received",
        read: Read | None = None,
    ) -> None:
        """Set a fact, or note why it has no value; one read too badly has none."""
        if value is None:
            self.unknown[name] = why_absent
        elif read is not None and read.quality < QUALITY_FLOOR:
            self.unknown[name] = f"read too badly to be used: {read.doubt}"
        else:
            self.values[name] = value
            if read is not None and read.quality < 1.0:
                self.quality[name], self.doubts[name] = read.quality, read.doubt

    def absent(self, names: Iterable[str], why: str) -> None:
        """Note for all of these why they have no value."""
        self.unknown.update(dict.fromkeys(names, why))

    def put_interval(
        self, name: str, value: Uncertain | None, why_absent: str, read: Read | None = None
    ) -> None:
        """Set a fact and its `_low` and `_high`, the ends of its 90 % interval."""
        self.put(name, None if value is None else value.value, why_absent, read)
        self.put(f"{name}_low", None if value is None else value.low, why_absent, read)
        self.put(f"{name}_high", None if value is None else value.high, why_absent, read)


def current(
    channel: Channel, now_ms: int, what: str, names: tuple[str, ...], facts: FactSet
) -> float | None:
    """Device time now, when the channel is fresh; otherwise all `names` are absent."""
    now_s = channel.now_s(now_ms)
    if now_s is None or channel.received_ms is None:
        why = f"{what} never received"
    else:
        age_s = (now_ms - channel.received_ms) / 1000.0
        if age_s <= WAVE_FRESH_S:
            return now_s
        why = f"{what} last received {since(age_s)} ago"
    facts.absent(names, why)
    return None


def fresh_s(usual_period_s: float | None) -> float:
    shortest, longest = BREATH_FRESH_S
    if usual_period_s is None:
        return longest
    return min(longest, max(shortest, BREATH_FRESH_PERIODS * usual_period_s))


def ratio(values: list[float], usual: float | None) -> float | None:
    return median(values) / usual if values and usual else None


def difference(value: FactValue | None, reference: FactValue | None) -> float | None:
    if isinstance(value, float) and isinstance(reference, float):
        return value - reference
    return None


def since(age_s: float) -> str:
    return f"{age_s:.0f} s" if age_s < 120 else f"{age_s / 60:.0f} min"
