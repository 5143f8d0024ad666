"""Flow at the airway, where a sensor measures it: the volume of an inspiration by integral.

A flow sensor's zero drifts, and over an inspiration the error grows with time. So the zero is taken
from the whole breath before, over which as much comes out as went in.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

from service.physiology.flow_volume import FlowErrors, integrated_volume_ml
from service.physiology.uncertain import Uncertain, by_share, product

#: A whole breath and the next inflation must lie within; of a slow one that is sampled fast there
#: is no volume.
KEPT_S: Final = 40.0
MAX_KEPT_SAMPLES: Final = 4000
#: Fewer samples in a breath, or this share of its time without any, tell no volume.
MIN_SAMPLES: Final = 8
MAX_LOST_SHARE: Final = 0.05
#: Pressure tells beginning and end of the inspiration to within so many samples of the flow.
EDGE_INTERVALS: Final = 2.0
#: Two ends, each anywhere within a sample.
EDGES_SD: Final = math.sqrt(2.0 / 12.0)
#: Scale error of a flow sensor and random error of a sample (common practice, no source).
ERRORS: Final = FlowErrors(sample_sd_ml_per_s=0.5, scale_share_sd=0.03)


@dataclass(slots=True)
class FlowTrack:
    """The last seconds of one flow channel: (time s, flow mL/s into the lung)."""

    samples: deque[tuple[float, float]] = field(default_factory=deque)

    def feed(self, samples: Iterable[tuple[float, float | None]]) -> None:
        """Take samples in time order."""
        kept = self.samples
        for t, flow in samples:
            if flow is None:
                continue
            if kept and t < kept[-1][0]:
                kept.clear()
            kept.append((t, flow))
        while kept and (kept[-1][0] - kept[0][0] > KEPT_S or len(kept) > MAX_KEPT_SAMPLES):
            kept.popleft()

    def volume(self, start_s: float, end_s: float, next_s: float) -> Uncertain | None:
        """Volume in mL inspired from `start_s` to `end_s` of the breath that ends at `next_s`.

        None when flow was not measured over the whole breath.
        """
        breath = [s for s in self.samples if start_s <= s[0] <= next_s]
        if len(breath) < MIN_SAMPLES:
            return None
        times = [t for t, _ in breath]
        usual_s = (next_s - start_s) / len(breath)
        gaps = (later - earlier for earlier, later in pairwise(times))
        lost = sum(gap - usual_s for gap in gaps if gap > 1.9 * usual_s)
        late = max(0.0, times[0] - start_s - usual_s) + max(0.0, next_s - times[-1] - 2 * usual_s)
        if lost + late > MAX_LOST_SHARE * (next_s - start_s):
            return None
        flows = [flow for _, flow in breath]
        span = _inspiration(times, flows, start_s, end_s, EDGE_INTERVALS * usual_s)
        found = integrated_volume_ml(times, flows, [span], errors=ERRORS)
        # A sample at either end belongs to the inspiration in part.
        edges = EDGES_SD * usual_s / max(span[1] - span[0], usual_s)
        volume = product(found.volume_ml, by_share(1.0, edges)).at_least(0.0)
        return _wider(volume, abs(found.offset_ml_per_s) * (span[1] - span[0]))


def _wider(volume: Uncertain, by_ml: float) -> Uncertain:
    """What was put right as the sensor's zero may have been a leak."""
    low = max(0.0, volume.value - math.hypot(volume.value - volume.low, by_ml))
    high = volume.value + math.hypot(volume.high - volume.value, by_ml)
    return Uncertain(volume.value, low, high)


def _inspiration(
    times: Sequence[float], flows: Sequence[float], start_s: float, end_s: float, near_s: float
) -> tuple[float, float]:
    """When the lung began to fill and when it was fullest, near where pressure says so.

    Expiration begins with several times the flow of the inspiration: a part of a sample too late
    would cost a good share of the volume.
    """
    zero = sum(flows) / len(flows)
    volume, edge = 0.0, times[0]
    emptiest, begin = math.inf, max(start_s, times[0])
    fullest, end = -math.inf, min(end_s, times[-1])
    for (earlier, later), flow in zip(pairwise(times), flows, strict=False):
        if abs(edge - start_s) <= near_s and volume < emptiest:
            emptiest, begin = volume, edge
        if abs(edge - end_s) <= near_s and volume > fullest:
            fullest, end = volume, edge
        middle = (earlier + later) / 2.0
        volume += (flow - zero) * (middle - edge)
        edge = middle
    return (begin, end) if begin < end else (max(start_s, times[0]), min(end_s, times[-1]))
