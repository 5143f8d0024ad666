"""An open recording of a breathing subject: flow, airway, oesophageal and gastric pressure.

Source: a test file of the source package bioread 2025.5.2 on PyPI (MIT licence; Board of Regents
of the University of Wisconsin System): 19.64 s at 125 Hz of one subject who breathes by itself
through a pneumotachograph. The file holds one breath five times over (or five that are equal to
the last bit), which makes its facts plain.
"""

from __future__ import annotations

import io
import tarfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import bioread
import numpy as np
import numpy.typing as npt
from published.fetching import CannotFetchError, download

from adapters.recordings import Line
from service.instants import from_text, to_text

PACKAGE = "bioread==2025.5.2"
DATA = "bioread-2025.5.2/test/data/misc/iso_8859_1.acq"
RATE_HZ = 125
#: The recording carries no date; this one is invented.
BEGINS_MS = from_text("2026-11-25T13:00:00Z")
Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class BreathingRecording:
    """Sampled at 125 Hz; inspiratory flow is positive. Pressures in cmH2O."""

    flow_l_per_s: Array
    paw_cmh2o: Array
    oesophageal_cmh2o: Array

    def lines(self) -> list[Line]:
        """Pressure and flow as wire messages in blocks of 1 s, received 20 ms after their end."""
        lines: list[Line] = []
        for second in range(len(self.paw_cmh2o) // RATE_HZ):
            for channel, unit, values in (
                ("paw", "cm[H2O]", self.paw_cmh2o),
                ("flow", "L/s", self.flow_l_per_s),
            ):
                block = {
                    "channel": channel,
                    "unit": unit,
                    "rate_hz": RATE_HZ,
                    "samples": values[second * RATE_HZ : (second + 1) * RATE_HZ].tolist(),
                }
                lines.append(_line(len(lines) + 1, second, block))
        return lines


def _line(seq: int, second: int, block: dict[str, Any]) -> Line:
    at_ms = BEGINS_MS + 1000 * second
    envelope = {"schema": 1, "device": "laboratory", "epoch": "1", "seq": seq, "at": to_text(at_ms)}
    return Line(at_ms + 1020, "tidewarden/1/laboratory/subject/waveform", {**envelope, **block})


def fetch(cache: Path) -> BreathingRecording:
    """The recording, downloaded into `cache` when it is not there; CannotFetchError offline."""
    archive = cache / "bioread-2025.5.2.tar.gz"
    if not archive.is_file():
        download(PACKAGE, cache)
    with tarfile.open(archive) as package:
        member = package.extractfile(DATA)
        if member is None:
            raise CannotFetchError("the breathing subject is not in the package")
        channels = {
            c.name: np.asarray(c.data) for c in bioread.read(io.BytesIO(member.read())).channels
        }
    return BreathingRecording(channels["Débit"], channels["Paw"], channels["Poeso"])
