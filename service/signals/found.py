"""What the breath finder brings to light."""

from __future__ import annotations

from dataclasses import dataclass, field

from service.signals.kinds import Effort, Inflation


@dataclass(slots=True)
class Breath:
    """A whole breath: its inflation, then expiratory time and mean pressure up to the next.

    `unfinished_cmh2o` is how much pressure still fell in the last quarter of the expiration: more
    than noise says that the lung had not emptied (auto-PEEP).
    """

    inflation: Inflation
    te_s: float | None
    mean_cmh2o: float | None
    unfinished_cmh2o: float | None = None


@dataclass(slots=True)
class Found:
    """What a run of samples brought to light.

    `efforts` started no inflation; `artefacts` (a cough, a knock) are no breaths.
    """

    inflations: list[Inflation] = field(default_factory=list)
    breaths: list[Breath] = field(default_factory=list)
    efforts: list[Effort] = field(default_factory=list)
    artefacts: list[Inflation] = field(default_factory=list)
