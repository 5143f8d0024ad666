"""What really happens in the simulated ward, to hold the advice against."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

BreathKind = Literal["controlled", "interrupted", "spontaneous"]


@dataclass(frozen=True, slots=True)
class Expectation:
    """A rule that should be raised, with its priority, within `within_s` of the onset."""

    rule: str
    priority: str
    within_s: float


@dataclass(frozen=True, slots=True)
class Truth:
    """Something that happened at a place at `at_ms` (ms since 1970), and what it should lead to."""

    at_ms: int
    place: str
    what: str
    expects: Expectation | None = None


@dataclass(frozen=True, slots=True)
class TrueBreath:
    """One whole breath as the lung had it, without sensors and noise.

    `te_s` is None when no next breath closed it. `mean_cmh2o` is over the time known. An
    `interrupted` inflation was ended by a setting before it reached its target. `delivered_ml` is
    the fresh gas that flowed during the inflation; zero for a spontaneous breath.
    """

    start_ms: float
    ti_s: float
    te_s: float | None
    pip_cmh2o: float
    baseline_cmh2o: float
    mean_cmh2o: float
    lung_volume_ml: float
    delivered_ml: float
    kind: BreathKind
