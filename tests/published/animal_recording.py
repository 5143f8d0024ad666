"""An open recording of an animal laboratory, fetched once and turned into a Tidewarden recording.

Source: the example data of the source package vitabel 0.1.1 on PyPI (MIT licence; Hackl, Kern,
Orlob and contributors): airway pressure at 500 Hz, CO2 at 25 Hz and airway flow at 200 Hz of
one ventilated animal through cardiac arrest; flow begins 8 s later. The package names no unit of
flow: plateaus of 25 for 1.2 s are a breath of 0.5 L in L/min, as its trade has it. Time is counted
from the first pressure sample.
"""

from __future__ import annotations

import bz2
import io
import tarfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from published.fetching import CannotFetchError, download

from adapters.recordings import Line
from service.instants import to_text

PACKAGE = "vitabel==0.1.1"
DATA = "vitabel-0.1.1/docs/source/examples/data"
PAW_HZ, CO2_HZ, FLOW_HZ = 500, 25, 200
Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class AnimalRecording:
    """Times in s from the first pressure sample, pressure in cmH2O, CO2 in mmHg, flow in L/min."""

    begins_ms: int
    paw_s: Array
    paw_cmh2o: Array
    co2_s: Array
    co2_mmhg: Array
    flow_s: Array
    flow_l_per_min: Array

    def lines(self) -> list[Line]:
        """As wire messages in blocks of 1 s, on an even time grid, received 20 ms after their end.

        The source's time stamps are whole milliseconds and 2 ms apart on average with small holes;
        linear interpolation lays the samples on the grid.
        """
        blocks = [
            *self._blocks("paw", "cm[H2O]", PAW_HZ, self.paw_s, self.paw_cmh2o),
            *self._blocks("co2", "mm[Hg]", CO2_HZ, self.co2_s, self.co2_mmhg),
            *self._blocks("flow", "L/min", FLOW_HZ, self.flow_s, self.flow_l_per_min),
        ]
        blocks.sort(key=lambda block: (block["second"], block["channel"]))
        return [self._line(seq, block) for seq, block in enumerate(blocks, start=1)]

    def _blocks(
        self, channel: str, unit: str, rate_hz: int, times: Array, values: Array
    ) -> list[dict[str, Any]]:
        return [
            {
                "second": second,
                "channel": channel,
                "unit": unit,
                "rate_hz": rate_hz,
                "samples": [
                    round(float(value), 4)
                    for value in np.interp(second + np.arange(rate_hz) / rate_hz, times, values)
                ],
            }
            for second in range(int(np.ceil(times[0])), int(times[-1]))
        ]

    def _line(self, seq: int, block: dict[str, Any]) -> Line:
        second = block.pop("second")
        payload = {
            "schema": 1,
            "device": "laboratory",
            "epoch": "1",
            "seq": seq,
            "at": to_text(self.begins_ms + 1000 * second),
            **block,
        }
        topic = "tidewarden/1/laboratory/animal/waveform"
        return Line(self.begins_ms + 1000 * (second + 1) + 20, topic, payload)


def fetch(cache: Path) -> AnimalRecording:
    """The recording, downloaded into `cache` when it is not there; CannotFetchError offline."""
    archive = cache / "vitabel-0.1.1.tar.gz"
    if not archive.is_file():
        download(PACKAGE, cache)
    with tarfile.open(archive) as package:
        pressure = _table(package, "p1.csv.bz2", skip=0)
        co2 = _table(package, "capno.csv.bz2", skip=1)
        flow = _table(package, "flow.csv.bz2", skip=1)
    begins_ms = float(pressure[0, 0])
    return AnimalRecording(
        begins_ms=int(begins_ms),
        paw_s=(pressure[:, 0] - begins_ms) / 1000.0,
        paw_cmh2o=pressure[:, 1],
        co2_s=(co2[:, 0] - begins_ms) / 1000.0,
        co2_mmhg=co2[:, 1],
        flow_s=(flow[:, 1] - begins_ms) / 1000.0,
        flow_l_per_min=flow[:, 0],
    )


def _table(package: tarfile.TarFile, name: str, skip: int) -> Array:
    member = package.extractfile(f"{DATA}/{name}")
    if member is None:
        raise CannotFetchError(f"{name} is not in the package")
    text = io.BytesIO(bz2.decompress(member.read()))
    return np.loadtxt(text, delimiter=",", skiprows=skip)
