"""What a CO2 analyser hides in very small animals, and what end-tidal CO2 may really be.

Two things make it read low. Its response is first order: a plateau shorter than a few time
constants is not followed to its end. And a sampling line that draws more than the animal breathes
takes in fresh gas with it. Both are estimated, never measured, so the result is an interval and
comes with a caution; the measured value stays what it is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist
from typing import Final

from service.physiology.gas_exchange import analyser_peak_share, undiluted_share
from service.physiology.timing import not_negative, positive
from service.physiology.uncertain import Z95

#: Expected minute volume is right to 20 % (the bound is a simple mixing, no published figure):
#: taken as the 90 % range of a normal deviation of its logarithm.
MINUTE_VOLUME_SD: Final = 0.2 / Z95
#: A known rise time, and the time for which expired gas stands at the sensor, are right to 15 %.
KNOWN_RISE_SD: Final = 0.15 / Z95
PLATEAU_SD: Final = 0.15 / Z95
#: 10-90 % rise times (s) and sampling flows (mL/min; 0 is mainstream) of analysers in use, evenly
#: likely between these when not known (common practice, no source).
RISE_S: Final = (0.06, 0.40)
SAMPLING_ML_PER_MIN: Final = (0.0, 200.0)
#: A correction whose interval spans more than this factor says nothing.
MEANINGFUL_SPAN: Final = 2.0
#: What hides more than this share of the true value is worth a word.
HIDDEN_SHARE: Final = 0.10
_DRAWS: Final = 128
#: Steps of an even spread over four dimensions (the generalised golden ratio: x^5 = x + 1).
_GOLDEN: Final = 1.1673039782614187


@dataclass(frozen=True, slots=True)
class Correction:
    """End-tidal CO2 as it may really be: the middle and a 90 % interval (mmHg).

    All three are None when the correction says nothing; `why_absent` then tells why.
    """

    etco2_mmhg: float | None
    low_mmhg: float | None
    high_mmhg: float | None
    #: Share of the true value that is expected to be hidden, from 0 to 1.
    hidden_share: float
    caution: str
    why_absent: str = ""

    @property
    def hides_much(self) -> bool:
        """Whether more than a tenth is expected to be hidden."""
        return self.hidden_share > HIDDEN_SHARE


@lru_cache(maxsize=1024)
def corrected_etco2(
    measured_mmhg: float,
    expired_s: float,
    minute_volume_ml_per_min: float | None,
    *,
    start_mmhg: float = 0.0,
    rise_10_90_s: float | None = None,
    sampling_ml_per_min: float | None = None,
) -> Correction:
    """Undo lag and dilution of a measured end-tidal CO2 (mmHg).

    `expired_s` is for how long expired gas stood at the sensor; `start_mmhg` what the analyser
    showed when it came; rise time (s) and sampling flow (mL/min) of the analyser may be unknown.
    Without a minute volume only the lag is judged, and there is no corrected value.
    ValueError for what is negative or not positive.
    """
    positive(measured_mmhg=measured_mmhg, expired_s=expired_s)
    if rise_10_90_s is not None:
        positive(rise_10_90_s=rise_10_90_s)
    if minute_volume_ml_per_min is not None:
        positive(minute_volume_ml_per_min=minute_volume_ml_per_min)
    if sampling_ml_per_min is not None:
        not_negative(sampling_ml_per_min=sampling_ml_per_min)
    start = min(start_mmhg, measured_mmhg)
    true: list[float] = []
    for u, v, w, x in _SPREAD:
        rise = (
            RISE_S[0] + u * (RISE_S[1] - RISE_S[0])
            if rise_10_90_s is None
            else rise_10_90_s * _about(u, KNOWN_RISE_SD)
        )
        lag = analyser_peak_share(expired_s * _about(v, PLATEAU_SD), rise)
        undiluted = 1.0
        if minute_volume_ml_per_min is not None:
            flow = _between(SAMPLING_ML_PER_MIN, x, sampling_ml_per_min)
            if flow > 0.0:
                undiluted = undiluted_share(
                    minute_volume_ml_per_min * _about(w, MINUTE_VOLUME_SD), flow
                )
        true.append((start + (measured_mmhg - start) / lag) / undiluted)
    true.sort()
    low, middle, high = (true[int(share * _DRAWS)] for share in (0.05, 0.5, 0.95))
    hidden = 1.0 - measured_mmhg / middle
    caution = _caution(hidden, rise_10_90_s, sampling_ml_per_min)
    if minute_volume_ml_per_min is None:
        return Correction(None, None, None, hidden, caution, "no minute volume to expect")
    if high > MEANINGFUL_SPAN * low:
        why = f"it may be anything from {low:.0f} to {high:.0f} mmHg"
        return Correction(None, None, None, hidden, caution, why)
    return Correction(middle, low, high, hidden, caution)


def _caution(hidden: float, rise_s: float | None, sampling: float | None) -> str:
    unknown = [
        name
        for name, value in (("rise time", rise_s), ("sampling flow", sampling))
        if value is None
    ]
    by = f"with {' and '.join(unknown)} of the analyser unknown" if unknown else "of this analyser"
    return (
        f"End-tidal CO2 reads low in very small animals: about {100.0 * hidden:.0f} % of it is"
        f" expected to be hidden by lag and dilution, {by}. An estimate, not a measurement."
    )


def _between(span: tuple[float, float], share: float, known: float | None) -> float:
    return span[0] + share * (span[1] - span[0]) if known is None else known


def _about(share: float, deviation: float) -> float:
    return math.exp(deviation * _normal(share))


@lru_cache(maxsize=8 * _DRAWS)
def _normal(share: float) -> float:
    return NormalDist().inv_cdf(share)


_SPREAD: Final = tuple(
    (
        (0.5 + n / _GOLDEN) % 1.0,
        (0.5 + n / _GOLDEN**2) % 1.0,
        (0.5 + n / _GOLDEN**3) % 1.0,
        (0.5 + n / _GOLDEN**4) % 1.0,
    )
    for n in range(1, _DRAWS + 1)
)
