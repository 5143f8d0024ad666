"""An open recording of a resuscitation: the capnogram, and what the monitor itself made of it.

Source: the example data of the source package vitabel 0.1.1 on PyPI (MIT licence; Hackl, Kern,
Orlob and contributors): the full disclosure of a defibrillator's monitor, with CO2 at 125 Hz for
an hour and, about every 30 s, the end-tidal CO2 and respiratory rate that its own software showed.
Time is counted from the first sample that is kept.
"""

from __future__ import annotations

import bz2
import json
import tarfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from published.animal_recording import DATA, PACKAGE
from published.fetching import CannotFetchError, download

from adapters.recordings import Line
from service.instants import from_text, to_text

CO2_HZ = 125
#: The recording carries no date; this one is invented.
BEGINS_MS = from_text("2026-11-25T13:00:00Z")
#: A sample with this status bit is none.
_INVALID = 8


@dataclass(frozen=True)
class Shown:
    """What the monitor showed: EtCO2 in mmHg, rate per minute."""

    at_s: float
    etco2_mmhg: float
    rate_per_min: float


@dataclass(frozen=True)
class Resuscitation:
    """Blocks of (start s, samples mmHg or None) and the monitor's own numerics."""

    blocks: list[tuple[float, list[float | None]]]
    shown: list[Shown]

    def lines(self) -> list[Line]:
        """As wire messages, each received 20 ms after its end."""
        return [self._line(seq, *block) for seq, block in enumerate(self.blocks, start=1)]

    def _line(self, seq: int, start_s: float, samples: list[float | None]) -> Line:
        at_ms = BEGINS_MS + round(1000 * start_s)
        payload: dict[str, Any] = {
            "schema": 1, "device": "monitor", "epoch": "1", "seq": seq, "at": to_text(at_ms),
            "channel": "co2", "unit": "mm[Hg]", "rate_hz": CO2_HZ, "samples": samples,
        }  # fmt: skip
        ends_ms = at_ms + 1000 * len(samples) // CO2_HZ
        return Line(ends_ms + 20, "tidewarden/1/street/patient/waveform", payload)


def fetch(cache: Path) -> Resuscitation:
    """The recording, downloaded into `cache` when it is not there; CannotFetchError offline."""
    archive = cache / "vitabel-0.1.1.tar.gz"
    if not archive.is_file():
        download(PACKAGE, cache)
    with tarfile.open(archive) as package:
        member = package.extractfile(f"{DATA}/ZOLL_test_case.json.bz2")
        if member is None:
            raise CannotFetchError("the resuscitation is not in the package")
        body = json.loads(bz2.decompress(member.read()))
    records = body["ZOLL"]["FullDisclosure"][0]["FullDisclosureRecord"]
    # The first block is the sensor's own zeroing, 18 s before the next one.
    blocks = [block for record in records for block in _co2(record)][1:]
    begins_s = blocks[0][0]
    return Resuscitation(
        blocks=[(start_s - begins_s, samples) for start_s, samples in blocks],
        shown=[
            Shown(shown.at_s - begins_s, shown.etco2_mmhg, shown.rate_per_min)
            for record in records
            for shown in _shown(record)
        ],
    )


def _co2(record: dict[str, Any]) -> list[tuple[float, list[float | None]]]:
    """CO2 comes in tenths of a mmHg; a block of 3 s (375 samples) bears the time of its end."""
    found = []
    for wave in record.get("ContinWaveRec", {}).get("Waveform", []):
        body = wave["WaveRec"]
        if body["WaveTypeVar"] != "CO2 mmHg, Waveform" or not body["UnpackedSamples"]:
            continue
        ends_s = record["ContinWaveRec"]["StdHdr"]["MsecTime"] / 1000.0
        pairs = zip(body["UnpackedSamples"], body["SampleStatus"], strict=True)
        samples = [None if status == _INVALID else value / 10.0 for value, status in pairs]
        found.append((ends_s - len(samples) / CO2_HZ, samples))
    return found


def _shown(record: dict[str, Any]) -> list[Shown]:
    trend = record.get("TrendRpt", {}).get("Trend", {})
    etco2 = trend.get("Etco2", {}).get("TrendData", {})
    if etco2.get("DataState") != "valid":
        return []
    at_s = record["TrendRpt"]["StdHdr"]["MsecTime"] / 1000.0
    rate = trend["Resp"]["TrendData"]["Val"]["#text"]
    return [Shown(at_s, float(etco2["Val"]["#text"]), float(rate))]
