"""The breath finder and its peers, each as its documentation has it used, none of them told truth.

Settings of a peer that a user has to choose come from the record itself: its spread (2nd to 98th
centile), and its usual period (the first high peak of the autocorrelation).
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass

import neurokit2
import numpy as np
from benchmarks.breath_records import Array, Record
from scipy.signal import find_peaks, peak_widths

from service.signals.breaths import BreathFinder

#: (onset s or None, an instant inside the inflation s)
Detection = tuple[float, float]
BLOCK_S = 1.0


@dataclass(frozen=True)
class Finder:
    """A way to find inflations."""

    name: str
    find: Callable[[Record], list[Detection]]


def ours(record: Record) -> list[Detection]:
    """Streaming, in blocks of 1 s; the instant is the middle of the inflation."""
    finder, found = BreathFinder(), []
    for samples in blocks(record):
        found += finder.feed(samples, "benchmark").inflations
    return [(one.start_s, one.start_s + 0.5 * one.ti_s) for one in found]


def blocks(record: Record) -> list[list[tuple[float, float | None]]]:
    """The samples of a record as the finder is given them."""
    size = round(BLOCK_S * record.rate_hz)
    values = record.pressure_cmh2o.tolist()
    return [
        [(record.at_s(at), values[at]) for at in range(first, min(first + size, len(values)))]
        for first in range(0, len(values), size)
    ]


def scipy_peaks(record: Record) -> list[Detection]:
    """find_peaks: height over the middle of the spread, prominence 0.3 of it, 0.6 periods apart."""
    signal = record.pressure_cmh2o
    low, high = np.percentile(signal, (2, 98))
    spread = max(high - low, 1e-6)
    peaks, _ = find_peaks(
        signal,
        height=low + 0.4 * spread,
        prominence=max(0.3 * spread, 1.0),
        distance=max(1.0, 0.6 * _period_s(record) * record.rate_hz),
    )
    if not len(peaks):
        return []
    # The onset is where the peak's flank has come down to 5 % of its prominence.
    _, _, left, _ = peak_widths(signal, peaks, rel_height=0.95)
    return [
        (record.at_s(onset), record.at_s(peak)) for onset, peak in zip(left, peaks, strict=True)
    ]


def _period_s(record: Record) -> float:
    """The usual period: the first peak of the autocorrelation over half its height, or 0.5 s."""
    signal = record.pressure_cmh2o - record.pressure_cmh2o.mean()
    size = 2 * len(signal)
    power = np.abs(np.fft.rfft(signal, size)) ** 2
    correlation = np.fft.irfft(power, size)[: len(signal) // 2]
    correlation = correlation / max(correlation[0], 1e-12)
    peaks, _ = find_peaks(correlation[: int(20 * record.rate_hz)], height=0.3, prominence=0.2)
    return float(peaks[0] / record.rate_hz) if len(peaks) else 0.5


def neurokit(clean: str, find: str) -> Callable[[Record], list[Detection]]:
    """rsp_clean and rsp_findpeaks; a trough is the onset of the inspiration whose peak follows."""

    def run(record: Record) -> list[Detection]:
        rate = int(record.rate_hz)
        options = {} if find != "scipy" else {"peak_distance": max(0.05, 0.6 * _period_s(record))}
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            try:
                signal = neurokit2.rsp_clean(
                    record.pressure_cmh2o, sampling_rate=rate, method=clean
                )
                if find == "scipy":
                    # Its prominence is a number for a signal of spread 1.
                    signal = neurokit2.standardize(signal)
                info = neurokit2.rsp_findpeaks(signal, sampling_rate=rate, method=find, **options)
            except (ValueError, IndexError):
                return []  # It raises where it finds no peak at all.
        peaks, troughs = np.asarray(info["RSP_Peaks"]), np.asarray(info["RSP_Troughs"])
        return [_with_trough(record, peak, troughs) for peak in peaks]

    return run


def _with_trough(record: Record, peak: int, troughs: Array) -> Detection:
    before = troughs[troughs < peak]
    onset = record.at_s(float(before[-1])) if len(before) else float("nan")
    return onset, record.at_s(float(peak))


FINDERS = (
    Finder("tidewarden", ours),
    Finder("scipy find_peaks", scipy_peaks),
    Finder("nk khodadad2018", neurokit("khodadad2018", "khodadad2018")),
    Finder("nk biosppy", neurokit("biosppy", "biosppy")),
    Finder("nk khodadad+scipy", neurokit("khodadad2018", "scipy")),
)
