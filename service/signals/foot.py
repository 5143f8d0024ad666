"""The foot of a ramp: the moment at which flow meets the closed circuit.

At first the flow fills the circuit alone and pressure climbs steeply; then the lung takes its
share through its resistance, with the time constant R C Cc / (C + Cc), and pressure settles on the
ramp (two compartments, Bates 2009). Line and foot are fitted in turn.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from service.signals.lines import Curve, Sample, fit

ROUNDS: Final = 2
STEPS: Final = 3
#: The ramp is fitted from so many time constants on, the foot within so many.
CLEAR_TAUS: Final = 1.5
FOOT_TAUS: Final = 4.0
#: The time constant is looked for between this many sample intervals and this share of the ramp.
LEAST_INTERVALS: Final = 0.3
MOST_SHARE: Final = 0.3
#: Noise hides so many scatters, but the foot is looked for no further out than this.
UNSEEN: Final = 6.0
HIDDEN_S: Final = 0.25


@dataclass(slots=True)
class Foot:
    """Start of the ramp (s), its standard error, the ramp's curve without the foot."""

    start_s: float
    sd_s: float
    tau_s: float
    curve: Curve


def settle(
    before: Sequence[Sample],
    ramp: Sequence[Sample],
    curve: Curve,
    base: float,
    start_s: float,
    end_s: float,
) -> Foot | None:
    """Fit foot and ramp; None where there are too few samples to tell.

    `before` are (time s, pressure) at rest, `ramp` those up to the last before the release;
    `curve`, `base` (cmH2O) and `start_s` are first guesses.
    """
    samples = [*before, *ramp]
    if len(ramp) < 8 or end_s - start_s <= 0.0:
        return None
    interval_s = (ramp[-1][0] - ramp[0][0]) / (len(ramp) - 1)
    shortest, longest = LEAST_INTERVALS * interval_s, MOST_SHARE * (end_s - start_s)
    tau = min(max(_first_tau(ramp, curve, base, start_s), shortest), longest)
    spread = 0.0
    for _ in range(ROUNDS):
        # A step that noise hides is told by where the ramp leaves it, further out.
        hidden_s = min(HIDDEN_S, UNSEEN * curve.scatter / max(curve.slope, 1e-6))
        window = _window(samples, start_s, tau, max(4.0 * interval_s, hidden_s), end_s)
        if len(window) < 4:
            return None
        new_start, new_tau, spread = _search(window, curve, base, start_s, tau, (shortest, longest))
        moved = abs(new_start - start_s)
        start_s, tau = new_start, new_tau
        refitted = _without_foot(ramp, curve, base, start_s, tau)
        if refitted is None:
            break
        curve = refitted
        if moved < 0.1 * interval_s:
            break
    slope = max(1e-6, curve.slope_at(start_s) + (curve.at(start_s) - base) / tau)
    scatter = max(curve.scatter, 1e-6)
    sd_s = math.hypot(scatter * spread, curve.sd_at(start_s) / slope)
    return Foot(start_s, min(sd_s, 0.1), tau, curve)


def _first_tau(ramp: Sequence[Sample], curve: Curve, base: float, start_s: float) -> float:
    """After one time constant the step is complete but for 1/e of it."""
    step = curve.at(start_s) - base
    for t, p in ramp:
        if t > start_s and curve.at(t) - p <= 0.368 * step:
            return t - start_s
    return 0.0


def _window(
    samples: Sequence[Sample], start_s: float, tau: float, margin_s: float, end_s: float
) -> list[Sample]:
    before_s = max(margin_s, min(0.1, tau))
    until_s = min(start_s + FOOT_TAUS * tau + margin_s, (start_s + end_s) / 2.0)
    return [s for s in samples if start_s - before_s <= s[0] <= until_s]


def _search(
    samples: Sequence[Sample],
    curve: Curve,
    base: float,
    start_s: float,
    tau: float,
    bounds: tuple[float, float],
) -> tuple[float, float, float]:
    """Start and time constant of least squares, and the start's error for a scatter of one.

    Gauss-Newton, each step halved until it helps. The height of the step is that of the ramp's
    curve over rest at the start, so the two are all there is to find.
    """
    window = [(t, p - base, p - curve.at(t)) for t, p in samples]
    best, at, ss, st, tt = _normal(window, curve, base, start_s, tau)
    low, high = window[0][0], window[-1][0]
    for _ in range(STEPS):
        gs, gt = at
        both = ss * tt - st * st
        if ss <= 0.0:
            break
        if tt > 0.0 and both > 1e-9 * ss * tt:
            ds, dt = (gs * tt - gt * st) / both, (gt * ss - gs * st) / both
        else:
            ds, dt = gs / ss, 0.0
        for _ in range(4):
            new_start = min(max(start_s + ds, low), high)
            new_tau = min(max(tau + max(-0.5 * tau, min(dt, tau)), bounds[0]), bounds[1])
            result = _normal(window, curve, base, new_start, new_tau)
            if result[0] <= best:
                break
            ds, dt = ds / 2.0, dt / 2.0
        else:
            break
        gained = best - result[0]
        start_s, tau = new_start, new_tau
        best, at, ss, st, tt = result
        if gained <= 1e-4 * best:
            break
    # The time constant is known to a factor of its own size at worst, whatever the samples say.
    variance = best / max(1, len(window) - 2)
    known_tt = tt + variance / (tau * tau)
    information = ss - (st * st / known_tt if known_tt > 0.0 else 0.0)
    return start_s, tau, 1.0 / math.sqrt(information) if information > 0.0 else 0.0


def _normal(
    window: Sequence[tuple[float, float, float]],
    curve: Curve,
    base: float,
    start_s: float,
    tau: float,
) -> tuple[float, tuple[float, float], float, float, float]:
    """Squared error, its gradient and the normal matrix, for start and time constant.

    `window` holds time, pressure over rest, pressure over the ramp's curve.
    """
    step = max(0.0, curve.at(start_s) - base)
    steep = max(0.0, curve.slope_at(start_s)) + step / tau
    error = gs = gt = ss = st = tt = 0.0
    exp = math.exp
    for t, over_rest, over_curve in window:
        u = t - start_s
        if u <= 0.0:
            error += over_rest * over_rest
            continue
        left = exp(-u / tau)
        rest = over_curve + step * left
        to_start = -left * steep
        to_tau = -step * left * u / (tau * tau)
        error += rest * rest
        gs += to_start * rest
        gt += to_tau * rest
        ss += to_start * to_start
        st += to_start * to_tau
        tt += to_tau * to_tau
    return error, (gs, gt), ss, st, tt


def _without_foot(
    ramp: Sequence[Sample], curve: Curve, base: float, start_s: float, tau: float
) -> Curve | None:
    """The ramp's curve, with what the foot still lacks added to the samples."""
    step = max(0.0, curve.at(start_s) - base)
    first_s = start_s + CLEAR_TAUS * tau
    rest = [(t, p + step * math.exp((start_s - t) / tau)) for t, p in ramp if t > first_s]
    return fit(rest) if len(rest) >= 6 else None
