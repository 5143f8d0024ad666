"""Tidal volume by integrating a flow wave whose zero may be off by a constant.

A flow sensor's zero drifts, and a constant error grows with time under the integral. It is found
from what must be zero: either over whole breaths as much comes out as went in (no leak, steady
lung volume), or during pauses no gas flows. Common practice in spirometry, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from service.physiology.timing import not_negative
from service.physiology.uncertain import Uncertain, by_sd, by_share, product

#: Shortest record that can be integrated.
MIN_SAMPLES: Final = 3
_ROUNDING_S: Final = 1e-6

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class FlowVolume:
    """Volume of one inspiration in mL with its 90 % interval, and the zero error taken out."""

    volume_ml: Uncertain
    offset_ml_per_s: float


@dataclass(frozen=True, slots=True)
class FlowErrors:
    """Random error of one sample (sd, mL/s) and error of the scale (sd of the logarithm)."""

    sample_sd_ml_per_s: float = 0.0
    scale_share_sd: float = 0.0

    def __post_init__(self) -> None:
        not_negative(sample_sd_ml_per_s=self.sample_sd_ml_per_s, scale_share_sd=self.scale_share_sd)


def integrated_volume_ml(
    times_s: Sequence[float],
    flows_ml_per_s: Sequence[float],
    inspirations_s: Sequence[Span],
    pauses_s: Sequence[Span] | None = None,
    errors: FlowErrors | None = None,
) -> FlowVolume:
    """Mean volume of the inspirations, after the zero of the flow has been put right.

    `times_s` and `flows_ml_per_s` are n samples each (flow into the lung positive), times rising.
    `inspirations_s` and `pauses_s` are (from, to) in s within them. With `pauses_s` the zero is
    the mean flow of the pauses; without, the samples must cover whole breaths, and it is the mean
    flow over all of them. Each sample stands for the time halfway to its neighbours. ValueError
    for times that do not rise, values that are not finite, and spans outside the samples.
    """
    _check(times_s, flows_ml_per_s)
    if not inspirations_s:
        raise ValueError("inspirations_s must name at least one span")
    edges = _edges(times_s)
    within = _weights(edges, inspirations_s, "inspirations_s")
    if pauses_s is None:
        resting = [right - left for left, right in pairwise(edges)]
    else:
        resting = _weights(edges, pauses_s, "pauses_s")
    rested_s, inspired_s = math.fsum(resting), math.fsum(within)
    if rested_s <= 0.0:
        raise ValueError("pauses_s must last longer than nothing")
    breaths = len(inspirations_s)
    # The volume is a weighted sum of the samples, so its error follows from the weights.
    weights = [
        (take - inspired_s * rest / rested_s) / breaths
        for take, rest in zip(within, resting, strict=True)
    ]
    volume = max(0.0, math.fsum(w * f for w, f in zip(weights, flows_ml_per_s, strict=True)))
    offset = math.fsum(r * f for r, f in zip(resting, flows_ml_per_s, strict=True)) / rested_s
    errors = errors or FlowErrors()
    sd_ml = errors.sample_sd_ml_per_s * math.sqrt(math.fsum(w * w for w in weights))
    scaled = product(by_share(1.0, errors.scale_share_sd), by_sd(volume, sd_ml))
    return FlowVolume(scaled.at_least(0.0), offset)


def _check(times_s: Sequence[float], flows_ml_per_s: Sequence[float]) -> None:
    if len(times_s) != len(flows_ml_per_s) or len(times_s) < MIN_SAMPLES:
        raise ValueError(f"times_s and flows_ml_per_s must be at least {MIN_SAMPLES} each, alike")
    if not all(map(math.isfinite, (*times_s, *flows_ml_per_s))):
        raise ValueError("times_s and flows_ml_per_s must be finite")
    if any(later <= earlier for earlier, later in pairwise(times_s)):
        raise ValueError("times_s must rise")


def _edges(times_s: Sequence[float]) -> list[float]:
    """Where one sample's time ends and the next one's begins: n + 1 times."""
    inner = [(earlier + later) / 2.0 for earlier, later in pairwise(times_s)]
    return [2.0 * times_s[0] - inner[0], *inner, 2.0 * times_s[-1] - inner[-1]]


def _weights(edges: Sequence[float], spans: Sequence[Span], name: str) -> list[float]:
    """How long each sample stands for one of the spans (s)."""
    for start, end in spans:
        if not (edges[0] - _ROUNDING_S <= start < end <= edges[-1] + _ROUNDING_S):
            raise ValueError(
                f"{name} has a span ({start:g}, {end:g}) that the samples do not cover"
            )
    return [
        math.fsum(max(0.0, min(right, end) - max(left, start)) for start, end in spans)
        for left, right in pairwise(edges)
    ]
